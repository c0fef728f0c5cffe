"""The table every algorithm answers with, ours or a spreadsheet's: one row a firing (or a capture, when ranking)."""

from __future__ import annotations

import codecs
import csv
import difflib
from collections.abc import Mapping, Set
from pathlib import Path

import numpy as np

from sigkit.bench.protocol import Protocol
from sigkit.corpus.dataset import recording_of
from sigkit.errors import SettingsError
from sigkit.types.firing_table import CONDITIONS, Table

TEXT = ("capture", "channel", "polarity", "role", "condition", "condition_set")
#: Columns of numbers that a table may have; ``p_<condition>`` besides.
NUMBERS = (
    "time_s",
    "breakdown_s",
    "burn_end_s",
    "burn_time_ms",
    "burn_time_lo_ms",
    "burn_time_hi_ms",
    "burn_voltage_V",
    "burn_voltage_lo_V",
    "burn_voltage_hi_V",
    "score",
)
#: Columns that a task needs.
NEEDED = {
    "firing_detection": ("capture", "channel", "time_s"),
    "polarity": ("capture", "channel", "polarity"),
    "burn_time": ("capture", "channel", "time_s", "burn_time_ms"),
    "burn_voltage": ("capture", "channel", "time_s", "burn_voltage_V"),
    "role": ("capture", "channel", "time_s", "role"),
    "condition": ("capture", "channel", "time_s", "condition"),
    "screening_rank": ("capture", "score"),
}
_WORDS = {
    "polarity": {"1", "-1", "+1", "1.0", "-1.0", ""},
    "role": {"power", "waste", "single", "unknown", ""},
    "condition": {*CONDITIONS, "unknown", ""},
}
PROBABILITY = "p_"
_MARKS = {",": "commas", ";": "semicolons", "\t": "tabs"}
DELIMITERS = tuple(_MARKS)
_COMMA = "If commas are decimal commas here, save with points, or with semicolons between the cells"


def read_predictions(path: str | Path, protocol: Protocol, captures: set[str], files: Set[str] = frozenset()) -> Table:
    """Read a table of predictions as spreadsheets write it: comma, semicolon or tab, decimal point or comma.

    Parameters
    ----------
    path : path
        Text in UTF-8 (with or without a byte order mark) or UTF-16 with one; a header line, then one row a firing.
        A decimal comma is taken only where cells are not parted by commas.
    protocol : Protocol
    captures : set of str
        Captures of the split that is scored.
    files : set of str
        Capture files of the whole data set, to tell one of another split from one that is not there.

    Raises
    ------
    SettingsError
        When the file is missing, empty or no text, a column is missing or unknown, a number is none, a word is not
        known or a capture is not one of the split; the text names line, column, what was expected and what to do.
    """
    name = Path(path).name
    lines = _text(path, name).splitlines()
    if not lines or not lines[0].strip():
        raise SettingsError(f"{name}, line 1: is empty; expected a header line with {', '.join(NEEDED[protocol.task])}")
    mark = max(DELIMITERS, key=lines[0].count)
    reader = csv.reader(lines, delimiter=mark, strict=True)
    try:
        header = [column.strip() for column in next(reader)]
        _check_header(header, name, protocol.task, mark)
        columns: dict[str, list] = {column: [] for column in header}
        for cells in reader:
            if not any(cell.strip() for cell in cells):
                continue  # spreadsheets end tables with rows of bare delimiters
            line = reader.line_num
            if len(cells) != len(header):
                raise SettingsError(
                    f"{name}, line {line}: not as many cells as the header has: {len(cells)}, expected {len(header)}. "
                    + (_COMMA if mark == "," and len(cells) > len(header) else "Add or delete cells")
                )
            row = {column: cell.strip() for column, cell in zip(header, cells, strict=True)}
            for column in header:
                columns[column].append(_cell(row[column], column, name, line, mark))
            _check_capture(row["capture"], captures, files, f"{name}, line {line}, column capture")
            if "time_s" in NEEDED[protocol.task] and not np.isfinite(columns["time_s"][-1]):
                raise SettingsError(
                    f"{name}, line {line}, column time_s: a time is needed: the switching-off of the firing in seconds "
                    "on the capture's own axis. Fill it in, or delete the row where there is no firing"
                )
    except csv.Error as fault:
        raise SettingsError(
            f"{name}, line {reader.line_num}: cannot be parted into cells: {fault}; mend the quotes"
        ) from None
    return as_table(columns)


def _text(path: str | Path, name: str) -> str:
    try:
        raw = Path(path).read_bytes()
    except FileNotFoundError:
        raise SettingsError(f"{path}: there is no such file; check the path") from None
    except OSError as error:
        raise SettingsError(f"{path}: cannot be read: {error.strerror}; give a CSV file") from None
    wide = raw.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE))
    try:
        text = raw.decode("utf-16" if wide else "utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        raise SettingsError(f"{name}, line {line}: is no text in UTF-8; save it as CSV in UTF-8") from None
    if "\0" in text:
        raise SettingsError(f"{name}: is no text but binary; save it as CSV in UTF-8")
    return text


def _check_capture(capture: str, captures: set[str], files: Set[str], where: str) -> None:
    if capture in captures:
        return
    if recording_of(capture) in files:
        raise SettingsError(
            f"{where}: {capture!r} is not in the split that is scored; give --split, or delete its rows"
        )
    near = difflib.get_close_matches(capture, captures, n=1, cutoff=0.0)
    raise SettingsError(
        f"{where}: {capture!r} is no capture of the data set; expected a name as the column capture of its "
        f"manifest.csv has it (of a file with several sweeps each sweep's, as in file.npz#sweep-2), such as {near[0]!r}"
        if near
        else f"{where}: {capture!r} is no capture, as the split has none; give --split"
    )


def as_table(columns: Mapping[str, list]) -> Table:
    """Return columns as arrays: text as objects, numbers as floats."""
    return {
        name: np.array(values, dtype=object) if name in TEXT else np.array(values, dtype=float)
        for name, values in columns.items()
    }


def _check_header(header: list[str], name: str, task: str, mark: str) -> None:
    expected = f"expected {', '.join(NEEDED[task])}"
    parted = f"(read with {_MARKS[mark]} between cells: {', '.join(header[:8])})"
    lacking = [column for column in NEEDED[task] if column not in header]
    if lacking:
        raise SettingsError(f"{name}, line 1: the column {lacking[0]!r} is missing {parted}; {expected}. Add it")
    known = {*TEXT, *NUMBERS, *(PROBABILITY + condition for condition in CONDITIONS)}
    unknown = [column for column in header if column not in known]
    if unknown:
        raise SettingsError(
            f"{name}, line 1: unknown column {unknown[0]!r}; rename or delete it. Known: {', '.join(sorted(known))}"
        )
    twice = [column for column in header if header.count(column) > 1]
    if twice:
        raise SettingsError(f"{name}, line 1: the column {twice[0]!r} comes twice; delete one")


def _cell(value: str, column: str, name: str, line: int, mark: str) -> str | float:
    where = f"{name}, line {line}, column {column}"
    if column in TEXT:
        if column == "polarity":
            value = value.replace(",", ".")
        if column in _WORDS and value not in _WORDS[column]:
            allowed = ", ".join(sorted(word for word in _WORDS[column] if word))
            raise SettingsError(f"{where}: {value!r} is not one of {allowed}; write one of them, or leave it empty")
        return value
    if value == "":
        return float("nan")
    if mark != "," and value.count(",") == 1 and "." not in value:
        value = value.replace(",", ".")
    try:
        number = float(value) if "_" not in value else None
    except ValueError:
        number = None
    if number is None:
        raise SettingsError(
            f"{where}: {value!r} is no number; expected one such as 0.0123, without blanks or marks between thousands. "
            + (_COMMA if "," in value else "Mend it, or leave it empty where there is no answer")
        )
    if np.isinf(number):
        raise SettingsError(f"{where}: {value!r} is infinite; leave it empty where there is no answer")
    return number
