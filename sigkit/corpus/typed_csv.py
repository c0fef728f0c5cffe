"""Read the small CSV files of a data set by a closed list of columns: unknown ones and unit-less numbers stop."""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sigkit.capture.atomic_file import atomic_file
from sigkit.errors import DatasetError

if TYPE_CHECKING:
    import pyarrow as pa

#: Endings that say what a number column counts in: SI units and those of the trade, plain ratios, and counts.
UNIT_ENDINGS = (
    "_s", "_ms", "_us", "_ns", "_Hz", "_kHz", "_MHz", "_V", "_mV", "_kV", "_A", "_mA", "_ohm", "_kohm", "_H", "_mH",
    "_F", "_uF", "_pF", "_J", "_mJ", "_rpm", "_V_per_ms", "_mm", "_kPa", "_bar", "_degC", "_percent", "_ratio",
    "_count", "_bits", "_samples",
)  # fmt: skip
_NAME = re.compile(r"[A-Za-z][A-Za-z0-9_]*")


@dataclass(frozen=True)
class ColumnRule:
    """What a column may hold.

    Attributes
    ----------
    kind : str
        ``"text"``, ``"number"`` (finite float; its name carries the unit) or ``"count"`` (whole, 0 or more).
    required : bool
        The column must be there and no cell may be empty.
    allowed : tuple of str
        Texts allowed, empty for any.
    meaning : str
        One line, used in the metadata.
    """

    kind: str = "text"
    required: bool = False
    allowed: tuple[str, ...] = ()
    meaning: str = ""


def has_unit(column: str) -> bool:
    """Tell whether a column's name ends in a unit.

    Examples
    --------
    >>> has_unit("engine_speed_rpm"), has_unit("speed")
    (True, False)
    """
    return column.endswith(UNIT_ENDINGS)


def check_rules(rules: Mapping[str, ColumnRule], source: str) -> None:
    """Refuse a declared number column whose name carries no unit.

    Raises
    ------
    DatasetError
    """
    for name, rule in rules.items():
        if rule.kind == "number" and not has_unit(name):
            raise DatasetError(source, f"the number column {name!r} has no unit in its name",
                               f"rename it so that it ends in a unit, such as {name}_s or {name}_V",
                               f"column {name}")  # fmt: skip
        if not _NAME.fullmatch(name):
            raise DatasetError(source, f"the column name {name!r} is no plain word",
                               "use letters, digits and _", f"column {name}")  # fmt: skip


def read_typed_csv(path: str | Path, rules: Mapping[str, ColumnRule], shown_as: str = "") -> list[dict[str, Any]]:
    """Read a UTF-8 CSV file with commas; every cell is checked against the rule of its column.

    Parameters
    ----------
    path : path
    rules : mapping of str to ColumnRule
        Every column that may occur.
    shown_as : str
        Name for messages, by default the path.

    Returns
    -------
    list of dict
        One a line: text (``""`` when empty), float (NaN when empty) or int (None when empty), and ``"line"``.

    Raises
    ------
    DatasetError
        Names file, line, column, what was expected and what to do.

    Examples
    --------
    >>> import pathlib, tempfile
    >>> path = pathlib.Path(tempfile.mkdtemp()) / "rates.csv"
    >>> _ = path.write_text("name,rate_Hz\\na,5\\n")
    >>> read_typed_csv(path, {"name": ColumnRule(required=True), "rate_Hz": ColumnRule("number")})
    [{'line': 2, 'name': 'a', 'rate_Hz': 5.0}]
    """
    name = shown_as or str(path)
    try:
        text = Path(path).read_bytes().decode("utf-8-sig")
    except FileNotFoundError as fault:
        raise DatasetError(name, "there is no such file", "check the path") from fault
    except (OSError, UnicodeDecodeError) as fault:
        raise DatasetError(name, f"cannot be read: {fault}", "give a UTF-8 text file that may be read") from fault
    reader = csv.reader(io.StringIO(text), strict=True)
    rows: list[dict[str, Any]] = []
    try:
        header = [cell.strip() for cell in next(reader, [])]
        lines = [(reader.line_num, cells) for cells in reader if any(cell.strip() for cell in cells)]
    except csv.Error as fault:
        raise DatasetError(name, f"is not readable as CSV: {fault}", "save it as CSV with commas and plain quotes",
                           f"line {reader.line_num}") from fault  # fmt: skip
    _check_header(header, lines, rules, name)
    for line, cells in lines:
        if len(cells) != len(header):
            raise DatasetError(name, f"{len(cells)} cells under {len(header)} columns",
                               "put quotes round a text with a comma in it", f"line {line}")  # fmt: skip
        row: dict[str, Any] = {"line": line}
        for column, cell in zip(header, cells, strict=True):
            row[column] = _value(cell.strip(), column, rules[column], name, line)
        rows.append(row)
    return rows


def write_typed_csv(path: str | Path, columns: Sequence[str], rows: Iterable[Mapping[str, Any]]) -> None:
    """Write rows as CSV; empty for what is missing, the shortest exact text for a float. Complete or not there."""
    with atomic_file(path) as temporary, open(temporary, "w", encoding="utf-8", newline="") as stream:
        writer = csv.writer(stream, lineterminator="\n")
        writer.writerow(columns)
        writer.writerows([_cell(row.get(column)) for column in columns] for row in rows)


def typed_table(rows: Sequence[Mapping[str, Any]], rules: Mapping[str, ColumnRule]) -> pa.Table:
    """Return the rows as a table whose columns have the types of their rules; only columns that occur."""
    import pyarrow as pa

    types = {"text": pa.string(), "number": pa.float64(), "count": pa.int64()}
    present = [column for column in rules if rows and column in rows[0]]
    if not rows:
        present = [column for column, rule in rules.items() if rule.required]
    return pa.table({column: pa.array([row[column] for row in rows], types[rules[column].kind])
                     for column in present})  # fmt: skip


def _check_header(
    header: list[str], lines: list[tuple[int, list[str]]], rules: Mapping[str, ColumnRule], name: str
) -> None:
    if not any(header):
        raise DatasetError(name, "is empty", f"its first line must name the columns: {', '.join(rules)}", "line 1")
    if len(set(header)) < len(header):
        twice = next(column for column in header if header.count(column) > 1)
        raise DatasetError(name, f"the column {twice!r} stands twice", "leave one of them out", "line 1")
    for place, column in enumerate(header):
        if column in rules:
            continue
        cells = [cells[place].strip() for _, cells in lines if place < len(cells) and cells[place].strip()]
        remedy = f"leave it out, or use one of {', '.join(rules)}"
        if cells and all(_is_number(cell) for cell in cells) and not has_unit(column):
            raise DatasetError(name, f"the column {column!r} is not known, and it holds numbers without a unit in its "
                               "name", remedy, f"line 1, column {column}")  # fmt: skip
        raise DatasetError(name, f"the column {column!r} is not known", remedy, f"line 1, column {column}")
    absent = [column for column, rule in rules.items() if rule.required and column not in header]
    if absent:
        raise DatasetError(name, f"the column {absent[0]!r} is missing", "add it", "line 1")


def _value(cell: str, column: str, rule: ColumnRule, name: str, line: int) -> Any:
    place = f"line {line}, column {column}"
    if not cell and rule.required:
        raise DatasetError(name, "the cell is empty", "fill it in", place)
    if rule.kind == "text":
        if cell and rule.allowed and cell not in rule.allowed:
            raise DatasetError(name, f"{cell!r} is not allowed", f"use one of {', '.join(rule.allowed)}", place)
        return cell
    if rule.kind == "count":
        if cell and not cell.isdecimal():
            raise DatasetError(name, f"{cell!r} is no whole number, 0 or more", "write digits only", place)
        return int(cell) if cell else None
    if not cell:
        return math.nan
    if not _is_number(cell):
        raise DatasetError(name, f"{cell!r} is no finite number", "write it with a decimal point", place)
    return float(cell)


def _is_number(cell: str) -> bool:
    try:
        return math.isfinite(float(cell))
    except ValueError:
        return False


def _cell(value: Any) -> str:
    if value is None or (isinstance(value, float) and math.isnan(value)):
        return ""
    if isinstance(value, float):
        return str(int(value)) if value.is_integer() and abs(value) < 1e15 else repr(value)
    return str(value)
