"""The table every algorithm answers with, ours or a spreadsheet's: one row a firing (or a capture, when ranking)."""

from __future__ import annotations

import csv
from collections.abc import Mapping
from pathlib import Path

import numpy as np

from sigkit.bench.protocol import Protocol
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


def read_predictions(path: str | Path, protocol: Protocol, captures: set[str]) -> Table:
    """Read a table of predictions, CSV with a header line.

    Parameters
    ----------
    path : path
    protocol : Protocol
    captures : set of str
        Captures of the split that is scored.

    Raises
    ------
    SettingsError
        When the file is missing or empty, a column is missing or unknown, a number is none, a word is not known or
        a capture is not one of the split; the text names line and column.
    """
    name = Path(path).name
    try:
        text = Path(path).read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise SettingsError(f"{path}: there is no such file; check the path") from None
    except (OSError, UnicodeDecodeError) as error:
        raise SettingsError(f"{path}: cannot be read as text: {error}") from None
    lines = text.splitlines()
    if not lines:
        raise SettingsError(f"{name}: is empty; expected a header line with {', '.join(NEEDED[protocol.task])}")
    try:
        dialect: type[csv.Dialect] | csv.Dialect = csv.Sniffer().sniff(lines[0], delimiters=",;\t")
    except csv.Error:
        dialect = csv.excel
    reader = csv.DictReader(lines, dialect=dialect)
    header = [column.strip() for column in reader.fieldnames or []]
    reader.fieldnames = header
    _check_header(header, name, protocol.task)
    columns: dict[str, list] = {column: [] for column in header}
    for row in reader:
        line = reader.line_num
        if None in row or any(value is None for value in row.values()):
            raise SettingsError(f"{name}, line {line}: not as many cells as the header has ({len(header)})")
        for column in header:
            columns[column].append(_cell(row[column].strip(), column, name, line))
        if row["capture"].strip() not in captures:
            raise SettingsError(
                f"{name}, line {line}, column capture: {row['capture']!r} is no capture of the split; "
                "write names as the column capture of the data set's manifest.csv does, and of a file with "
                "several sweeps each sweep's, as in file.npz#sweep-2"
            )
        if "time_s" in NEEDED[protocol.task] and not np.isfinite(columns["time_s"][-1]):
            raise SettingsError(f"{name}, line {line}, column time_s: a time is needed")
    return as_table(columns)


def as_table(columns: Mapping[str, list]) -> Table:
    """Return columns as arrays: text as objects, numbers as floats."""
    return {
        name: np.array(values, dtype=object) if name in TEXT else np.array(values, dtype=float)
        for name, values in columns.items()
    }


def _check_header(header: list[str], name: str, task: str) -> None:
    lacking = [column for column in NEEDED[task] if column not in header]
    if lacking:
        raise SettingsError(
            f"{name}, line 1: the column {lacking[0]!r} is missing; {task} needs {', '.join(NEEDED[task])}"
        )
    known = {*TEXT, *NUMBERS, *(PROBABILITY + condition for condition in CONDITIONS)}
    unknown = [column for column in header if column not in known]
    if unknown:
        raise SettingsError(f"{name}, line 1: unknown column {unknown[0]!r}; known: {', '.join(sorted(known))}")
    if len(set(header)) < len(header):
        raise SettingsError(f"{name}, line 1: a column name comes twice")


def _cell(value: str, column: str, name: str, line: int) -> str | float:
    if column in TEXT:
        if column in _WORDS and value not in _WORDS[column]:
            allowed = ", ".join(sorted(word for word in _WORDS[column] if word))
            raise SettingsError(f"{name}, line {line}, column {column}: {value!r} is not one of {allowed}")
        return value
    if value == "":
        return float("nan")
    try:
        number = float(value)
    except ValueError:
        raise SettingsError(
            f"{name}, line {line}, column {column}: {value!r} is no number; leave it empty where there "
            "is no answer, and write a decimal point"
        ) from None
    if np.isinf(number):
        raise SettingsError(f"{name}, line {line}, column {column}: {value!r} is infinite; leave it empty instead")
    return number
