"""What the folder's ``captures.csv`` says of its captures, read, checked, applied and written as a form."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from sigkit.capture.atomic_file import atomic_file
from sigkit.errors import ProfileError
from sigkit.types.capture import Capture
from sigkit.types.channel import CHANNEL_KINDS, Channel

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
    """One line: texts as given, ``""`` where empty; ``channel`` ``""`` speaks for the whole capture."""

    line: int
    values: tuple[tuple[str, str], ...]

    def text(self, column: str) -> str:
        """Return a cell, ``""`` when empty or absent."""
        return dict(self.values).get(column, "")

    def number(self, column: str) -> float | None:
        """Return a numeric cell, None when empty."""
        cell = self.text(column)
        return float(cell) if cell else None


def read_sidecar(path: str | Path) -> tuple[SidecarRow, ...]:
    """Read and check a sidecar.

    Raises
    ------
    ProfileError
        Names file, line, column, what was expected.
    """
    path = Path(path)
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as fault:
        raise ProfileError(f"{path}: cannot be read: {fault}. Save it as UTF-8 text") from fault
    first = text.splitlines()[0] if text else ""
    reader = csv.reader(io.StringIO(text), delimiter=";" if first.count(";") > first.count(",") else ",")
    try:
        header = [cell.strip() for cell in next(reader)]
    except StopIteration:
        raise ProfileError(f"{path}: is empty; the first line must name the columns, first of all capture") from None
    unknown = [name for name in header if name not in COLUMNS]
    if unknown:
        raise ProfileError(f"{path}, line 1: unknown column {', '.join(unknown)}; known: {', '.join(COLUMNS)}")
    if "capture" not in header:
        raise ProfileError(f"{path}, line 1: the column capture is missing")
    if len(set(header)) < len(header):
        raise ProfileError(f"{path}, line 1: a column stands twice")
    rows = []
    for cells in reader:
        if not any(cell.strip() for cell in cells):
            continue
        line = reader.line_num
        if len(cells) > len(header):
            raise ProfileError(f"{path}, line {line}: {len(cells)} cells under {len(header)} columns")
        values = {name: cell.strip() for name, cell in zip(header, cells, strict=False)}
        _check(path, line, values)
        rows.append(SidecarRow(line, tuple(values.items())))
    return tuple(rows)


def _check(path: Path, line: int, values: dict[str, str]) -> None:
    if not values.get("capture"):
        raise ProfileError(f"{path}, line {line}: the cell under capture is empty")
    for name in NUMBERS:
        cell = values.get(name, "")
        if cell:
            try:
                good = float(cell) > 0
            except ValueError:
                good = False
            if not good:
                raise ProfileError(f"{path}, line {line}: {name} is {cell!r}; a positive number was expected")
    if values.get("kind") and values["kind"] not in CHANNEL_KINDS:
        raise ProfileError(
            f"{path}, line {line}: kind is {values['kind']!r}; expected one of {', '.join(CHANNEL_KINDS)}"
        )
    if values.get("ignition_type") and values["ignition_type"] not in IGNITION_TYPES:
        raise ProfileError(
            f"{path}, line {line}: ignition_type is {values['ignition_type']!r}; "
            f"expected one of {', '.join(IGNITION_TYPES)}"
        )


def rows_for(rows: Iterable[SidecarRow], name: str) -> tuple[SidecarRow, ...]:
    """Return the lines that speak of a capture: named by its path, its recording or its file name."""
    plain = name.partition("#")[0]
    base = plain.rpartition("/")[2].rpartition("!")[2]
    exact = tuple(row for row in rows if row.text("capture") in (name, plain))
    return exact or tuple(row for row in rows if row.text("capture") == base)


def apply_sidecar(capture: Capture, rows: Sequence[SidecarRow]) -> Capture:
    """Return the capture with what its lines say; what names no channel of it becomes a warning."""
    if not rows:
        return capture
    warnings = list(capture.warnings)
    names = [channel.name for channel in capture.channels]
    channels = list(capture.channels)
    for row in rows:
        wanted = row.text("channel")
        if wanted and wanted not in names:
            warnings.append(
                f"{FILE_NAME}, line {row.line}: there is no channel {wanted!r}; the capture has {', '.join(names)}"
            )
            continue
        for position, channel in enumerate(channels):
            if not wanted or channel.name == wanted:
                channels[position] = _apply_row(channel, row, len(channels) > 1 and not wanted, warnings)

    def first(column: str) -> str:
        return next((row.text(column) for row in rows if row.text(column)), "")

    speed = first("engine_speed_rpm")
    return capture.with_(
        channels=tuple(channels), engine=first("engine") or capture.engine,
        ignition_type=first("ignition_type") or capture.ignition_type,
        engine_speed_rpm=float(speed) if speed else capture.engine_speed_rpm,
        profile=first("profile") or capture.profile, note=first("note") or capture.note, warnings=tuple(warnings),
    )  # fmt: skip


def _apply_row(channel: Channel, row: SidecarRow, several: bool, warnings: list[str]) -> Channel:
    changes: dict[str, object] = {}
    if row.text("kind"):
        changes["kind"] = row.text("kind")
    if row.text("cylinder"):
        if several:
            warnings.append(
                f"{FILE_NAME}, line {row.line}: a cylinder for a capture of several channels needs the column channel"
            )
        else:
            changes["cylinder"] = changes["lead"] = row.text("cylinder")
    if row.text("coil"):
        changes["coil"] = row.text("coil")
    ratio, full = row.number("pickup_ratio"), row.number("full_scale_V")
    if ratio is not None:
        changes["pickup_ratio"] = ratio
    if full is not None:
        if channel.unit:
            changes["full_scale"] = (-full, full)
        elif channel.full_scale is not None:
            # The file's samples are fractions of full scale.
            changes.update(scale=channel.scale * full, unit="V", full_scale=(-full, full))
        else:
            warnings.append(
                f"{FILE_NAME}, line {row.line}: full_scale_V is not used, the samples of {channel.name} are no "
                "fractions of full scale"
            )
    return channel.with_(**changes) if changes else channel


def write_sidecar(path: str | Path, captures: Iterable[Capture]) -> None:
    """Write a form to fill in: one line a channel, with what the files say. The file is complete or absent."""
    with atomic_file(path) as temporary, open(temporary, "w", encoding="utf-8", newline="") as stream:
        writer = csv.writer(stream)
        writer.writerow(COLUMNS)
        for capture in captures:
            if capture.sweep > 1:
                continue
            for channel in capture.channels:
                speed = "" if capture.engine_speed_rpm is None else f"{capture.engine_speed_rpm:g}"
                ratio = "" if channel.pickup_ratio is None else f"{channel.pickup_ratio:g}"
                full = "" if channel.full_scale is None or not channel.unit else f"{channel.full_scale[1]:.9g}"
                writer.writerow(
                    [capture.recording or capture.name, channel.name, channel.kind, f"{channel.sample_rate_Hz:g}",
                     ratio, full, capture.engine, channel.cylinder or channel.lead, channel.coil,
                     capture.ignition_type, speed, capture.profile, capture.note]
                )  # fmt: skip
