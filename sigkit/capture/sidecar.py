"""What the folder's ``captures.csv`` says of its captures: read, checked, matched, and written as a form."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from sigkit.capture.atomic_file import atomic_file
from sigkit.capture.source_reference import Rejection
from sigkit.errors import ProfileError
from sigkit.types.capture import Capture
from sigkit.types.channel import CHANNEL_KINDS

#: Columns, all optional but the first.
COLUMNS = (
    "capture", "channel", "kind", "sample_rate_Hz", "pickup_ratio", "full_scale_V", "engine", "cylinder", "coil",
    "ignition_type", "engine_speed_rpm", "profile", "note",
)  # fmt: skip
NUMBERS = ("sample_rate_Hz", "pickup_ratio", "full_scale_V", "engine_speed_rpm")
IGNITION_TYPES = ("shared_coil", "coil_on_plug", "distributor")
FILE_NAME = "captures.csv"


@dataclass(frozen=True)
class SidecarRow:
    """One line: texts as given, ``""`` where empty; ``channel`` ``""`` speaks for the whole capture.

    Attributes
    ----------
    line : int
        Line of the sidecar, from 1.
    values : tuple of (str, str)
        Column and cell.
    file : str
        Name of the sidecar, for messages.
    """

    line: int
    values: tuple[tuple[str, str], ...]
    file: str = FILE_NAME

    def text(self, column: str) -> str:
        """Return a cell, ``""`` when empty or absent."""
        return dict(self.values).get(column, "")

    def number(self, column: str) -> float | None:
        """Return a numeric cell, None when empty."""
        cell = self.text(column)
        return float(cell) if cell else None

    @property
    def capture(self) -> str:
        """Name of the file meant, without a sweep number, with ``/`` between folders."""
        return self.text("capture").partition("#sweep-")[0].replace("\\", "/").removeprefix("./")

    @property
    def sweep(self) -> int:
        """Sweep meant, 0 for all of the file."""
        number = self.text("capture").partition("#sweep-")[2]
        return int(number) if number.isdigit() else 0


def read_sidecar(path: str | Path) -> tuple[SidecarRow, ...]:
    """Read and check a sidecar; see `parse_sidecar`.

    Raises
    ------
    ProfileError
        Names file, line, column, what was expected.
    """
    try:
        content = Path(path).read_bytes()
    except OSError as fault:
        raise ProfileError(f"{path}: cannot be read: {fault}") from fault
    return parse_sidecar(content, str(path))


def parse_sidecar(content: bytes, name: str) -> tuple[SidecarRow, ...]:
    """Check the content of a sidecar: commas, or semicolons with decimal point or comma; UTF-8.

    Parameters
    ----------
    content : bytes
    name : str
        For messages.

    Returns
    -------
    tuple of SidecarRow

    Raises
    ------
    ProfileError
        Names file, line, column, what was expected.

    Examples
    --------
    >>> parse_sidecar(b"capture,cylinder\\na.csv,3\\n", "captures.csv")[0].text("cylinder")
    '3'
    """
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as fault:
        raise ProfileError(f"{name}: cannot be read: {fault}. Save it as UTF-8 text") from fault
    first = text.splitlines()[0] if text else ""
    separator = ";" if first.count(";") > first.count(",") else ","
    reader = csv.reader(io.StringIO(text), delimiter=separator)
    rows = []
    try:
        header = [cell.strip() for cell in next(reader, [])]
        _check_header(header, name)
        for cells in reader:
            if not any(cell.strip() for cell in cells):
                continue
            line = reader.line_num
            if any(cell.strip() for cell in cells[len(header) :]):
                raise ProfileError(f"{name}, line {line}: {len(cells)} cells under {len(header)} columns; "
                                   "put quotes round a text with a separator in it")  # fmt: skip
            values = {column: cell.strip() for column, cell in zip(header, cells, strict=False)}
            if separator == ";":
                values.update({column: values[column].replace(",", ".") for column in NUMBERS if column in values})
            _check_row(name, line, values)
            rows.append(SidecarRow(line, tuple(values.items()), name))
    except csv.Error as fault:
        raise ProfileError(f"{name}, line {reader.line_num}: not readable as CSV: {fault}") from fault
    return tuple(rows)


def _check_header(header: Sequence[str], name: str) -> None:
    if not any(header):
        raise ProfileError(f"{name}: is empty; the first line must name the columns, first of all capture")
    unknown = [column for column in header if column not in COLUMNS]
    if unknown:
        raise ProfileError(f"{name}, line 1: unknown column {', '.join(map(repr, unknown))}; "
                           f"known: {', '.join(COLUMNS)}")  # fmt: skip
    if "capture" not in header:
        raise ProfileError(f"{name}, line 1: the column capture is missing")
    if len(set(header)) < len(header):
        raise ProfileError(f"{name}, line 1: a column stands twice")


def _check_row(name: str, line: int, values: dict[str, str]) -> None:
    if not values.get("capture"):
        raise ProfileError(f"{name}, line {line}: the cell under capture is empty")
    for column in NUMBERS:
        cell = values.get(column, "")
        if cell:
            try:
                number = float(cell)
            except ValueError:
                number = math.nan
            if not (math.isfinite(number) and number > 0):
                raise ProfileError(f"{name}, line {line}: {column} is {cell!r}; a positive number was expected")
    for column, allowed in (("kind", CHANNEL_KINDS), ("ignition_type", IGNITION_TYPES)):
        cell = values.get(column, "")
        if cell and cell not in allowed:
            raise ProfileError(f"{name}, line {line}: {column} is {cell!r}; expected one of {', '.join(allowed)}")


def write_sidecar(path: str | Path, captures: Iterable[Capture | Rejection], overwrite: bool = False) -> None:
    """Write a form to fill in: a line a channel with what the file says, and a line for each refused file.

    A refused file has a line because the form may mend it, such as a missing sample rate.

    Parameters
    ----------
    path : path
    captures : iterable of Capture or Rejection
        As `sigkit.capture.open_captures.open_captures` yields them.
    overwrite : bool
        Replace an existing file.

    Raises
    ------
    ProfileError
        When the file exists already.
    """
    if not overwrite and Path(path).exists():
        raise ProfileError(f"{path} exists already and may have been filled in; move it away or choose another name")
    with atomic_file(path) as temporary, open(temporary, "w", encoding="utf-8", newline="") as stream:
        writer = csv.writer(stream, lineterminator="\n")
        writer.writerow(COLUMNS)
        for capture in captures:
            if isinstance(capture, Rejection):
                note = f"rejected: {capture.reason}"[:200]
                writer.writerow([capture.capture, *[""] * (len(COLUMNS) - 2), note])
                continue
            if capture.sweep > 1:
                continue
            for channel in capture.channels:
                speed = "" if capture.engine_speed_rpm is None else f"{capture.engine_speed_rpm:.12g}"
                ratio = "" if channel.pickup_ratio is None else f"{channel.pickup_ratio:.12g}"
                limit = channel.full_scale if channel.unit == "V" else None
                full = "" if limit is None else f"{max(abs(limit[0]), abs(limit[1])):.12g}"
                writer.writerow(
                    [capture.recording or capture.name, channel.name, channel.kind, f"{channel.sample_rate_Hz:.12g}",
                     ratio, full, capture.engine, channel.cylinder or channel.lead, channel.coil,
                     capture.ignition_type, speed, capture.profile, capture.note]
                )  # fmt: skip
