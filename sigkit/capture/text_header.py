"""Read the header lines of delimited text: column names, units, statements."""

from __future__ import annotations

import re
from collections.abc import Sequence

from sigkit.capture.column_names import ColumnName, parse_column_name, unit_factor
from sigkit.capture.file_facts import is_statement
from sigkit.capture.text_dialect import Dialect, split_line, strip_comment

_STATEMENT = re.compile(r"^(?P<key>[^:=]{1,80}?)\s*[:=]\s*(?P<value>.*)$")
_NUMBER = re.compile(r"[-+]?(?:\d+[.,]?\d*|[.,]\d+)(?:[eE][-+]?\d+)?")


def _fields(line: str, dialect: Dialect) -> list[str]:
    """Split a header line into as many fields as there are columns, if any separator does so."""
    text = strip_comment(line)
    for separator in dict.fromkeys((dialect.separator, "\t", ";", "|", ",")):
        if separator in ("", " "):
            # Keep "time (s)" together before splitting at blanks.
            fields = re.sub(r"\s+([\(\[])", r"\1", text).split() if separator else [text]
        else:
            fields = split_line(text, separator)
        while len(fields) > dialect.columns and fields[-1] == "":
            fields.pop()
        if len(fields) == dialect.columns:
            return [field.strip().strip('"').strip() for field in fields]
    return []


def _statement_fields(text: str, dialect: Dialect) -> list[str]:
    """Split a line into key, value and unit by the separator of the numbers, or by any where they have none."""
    separators = (";", "\t", "|", ",") if dialect.separator in ("", " ") else (dialect.separator,)
    for separator in separators:
        fields = [field for field in split_line(text, separator) if field]
        if len(fields) in (2, 3):
            return fields
    return [text]


def _is_units(fields: Sequence[str]) -> bool:
    bare = [field.strip("()[] ") for field in fields]
    return any(bare) and all(not unit or unit_factor(unit) is not None or field != unit
                             for field, unit in zip(fields, bare, strict=True)) and any(
        unit_factor(unit) for unit in bare if unit)


def _is_names(fields: Sequence[str]) -> bool:
    if not fields or not any(fields) or any(_NUMBER.fullmatch(field) for field in fields):
        return False
    return not (len(fields) > 1 and is_statement(fields[0]))


def read_header(lines: Sequence[str], dialect: Dialect) -> tuple[list[ColumnName] | None, dict[str, str]]:
    """Read header lines.

    The last line with as many words as there are columns names them; a line of units may follow it.
    Other lines are statements: ``key: value``, ``key = value``, or key, value and unit in columns.

    Parameters
    ----------
    lines : sequence of str
        Lines before the first numbers.
    dialect : Dialect

    Returns
    -------
    labels : list of ColumnName or None
        None when no line names the columns.
    statements : dict of str

    Examples
    --------
    >>> labels, said = read_header(["# rate: 5", "time (s);U (mV)"], Dialect(";", ",", 2, 2))
    >>> [label.name for label in labels], said
    (['time', 'U'], {'rate': '5'})
    """
    rows = [(number, line) for number, line in enumerate(lines) if strip_comment(line)]
    names: list[str] | None = None
    units: list[str] | None = None
    used: set[int] = set()
    for back in range(len(rows) - 1, -1, -1):
        number, line = rows[back]
        fields = _fields(line, dialect)
        statement = _STATEMENT.match(strip_comment(line))
        if statement and dialect.columns == 1:
            continue
        if not _is_names(fields) or (statement and is_statement(statement["key"])):
            continue
        if units is None and _is_units(fields) and back > 0:
            above = _fields(rows[back - 1][1], dialect)
            above_statement = _STATEMENT.match(strip_comment(rows[back - 1][1]))
            if _is_names(above) and not _is_units(above) and not above_statement:
                units = [field.strip("()[] ") for field in fields]
                used.add(number)
                continue
        names = fields
        used.add(number)
        break
    statements: dict[str, str] = {}
    for number, line in rows:
        if number in used:
            continue
        text = strip_comment(line)
        fields = _statement_fields(text, dialect)
        found = _STATEMENT.match(text.strip('"'))
        if len(fields) in (2, 3) and not (found and ":" in fields[0]):
            statements[fields[0].strip().strip(":=").strip('"').strip()] = " ".join(fields[1:])
        elif found:
            statements[found["key"].strip()] = found["value"].strip().strip('"').rstrip(",;\t")
        else:
            statements[f"line {number + 1}"] = text[:1000]
    if names is None:
        return None, statements
    labels = []
    for position, name in enumerate(names):
        label = parse_column_name(name)
        if units and units[position] and label.factor is None:
            labelled = parse_column_name(f"{name} ({units[position]})")
            label = labelled if labelled.factor is not None else ColumnName(
                label.name, label.quantity, None, units[position], label.extreme)
        labels.append(label)
    return labels, statements
