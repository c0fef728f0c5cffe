"""Find encoding, separator, decimal sign and first line of numbers of delimited text."""

from __future__ import annotations

import codecs
import csv
import re
from collections.abc import Sequence
from dataclasses import dataclass

from sigkit.capture import limits

_BOMS = ((codecs.BOM_UTF8, "utf-8-sig"), (codecs.BOM_UTF16_LE, "utf-16"), (codecs.BOM_UTF16_BE, "utf-16"))
#: Separator and decimal sign, in the order of preference. A blank stands for any run of blanks and tabs.
_CANDIDATES = ((";", ","), (";", "."), ("\t", "."), ("\t", ","), ("|", "."), ("|", ","), (",", "."), (" ", "."),
               (" ", ","), ("", ","))
_NUMBER = {
    ".": re.compile(r"[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?|[-+]?(?:nan|inf|infinity)", re.IGNORECASE),
    ",": re.compile(r"[-+]?(?:\d+(?:,\d+)?|,\d+)(?:[eE][-+]?\d+)?|[-+]?(?:nan|inf|infinity)", re.IGNORECASE),
}
_COMMENT = re.compile(r"^\s*(?:#+|%+|//+|!+|\*+)\s*")
#: Rows that must agree before numbers count as data.
_RUN = 4
#: Lines looked at first.
_NEAR = 200


@dataclass(frozen=True)
class Dialect:
    """How a text is written.

    Attributes
    ----------
    separator : str
        ``";"``, tab, ``"|"``, ``","``, blank (any run of blanks and tabs) or ``""`` for a single column.
    decimal : str
        ``"."`` or ``","``.
    columns : int
    first_row : int
        Line (from 0) of the first numbers.
    trailing : bool
        Whether rows end in a separator.
    """

    separator: str
    decimal: str
    columns: int
    first_row: int
    trailing: bool = False


def text_encoding(head: bytes) -> str:
    """Return the encoding of a text from its first bytes: by its byte-order mark, else UTF-16, UTF-8, Latin-1.

    Examples
    --------
    >>> text_encoding("1;2".encode("utf-16-le")), text_encoding(b"1;2")
    ('utf-16-le', 'utf-8')
    """
    for bom, encoding in _BOMS:
        if head.startswith(bom):
            return encoding
    pairs = len(head) // 2
    if pairs >= 2:
        if head[1 : 2 * pairs : 2].count(0) > 0.8 * pairs:
            return "utf-16-le"
        if head[0 : 2 * pairs : 2].count(0) > 0.8 * pairs:
            return "utf-16-be"
    try:
        codecs.getincrementaldecoder("utf-8")().decode(head)
    except UnicodeDecodeError:
        return "latin-1"
    return "utf-8"


def strip_comment(line: str) -> str:
    """Return a header line without its comment sign."""
    return _COMMENT.sub("", line).strip()


def split_line(line: str, separator: str) -> list[str]:
    """Split a line at the separator, quotes respected."""
    line = line.strip("\r\n")
    if separator == "":
        return [line.strip()]
    if separator == " ":
        return line.split()
    if '"' in line:
        return [field.strip() for field in next(csv.reader([line], delimiter=separator), [])]
    return [field.strip() for field in line.split(separator)]


def row_fault(line: str, dialect: Dialect) -> str:
    """Return what is wrong with a line of numbers, ``""`` when nothing is."""
    fields = split_line(line, dialect.separator)
    while len(fields) > dialect.columns and fields[-1] == "":
        fields.pop()
    if len(fields) != dialect.columns:
        return f"{len(fields)} columns where {dialect.columns} were expected"
    for number, field in enumerate(fields, start=1):
        if not _NUMBER[dialect.decimal].fullmatch(field):
            return f"column {number} holds {field[:40]!r}, which is not a number"
    return ""


def row_width(line: str, separator: str, decimal: str) -> int:
    """Return the number of columns of a line of numbers, 0 for any other line. Some fields may be empty."""
    fields = split_line(line, separator)
    if separator not in ("", " "):
        while fields and fields[-1] == "":
            fields.pop()
    if separator == " " and any(field.endswith(",") for field in fields):
        return 0
    if not fields or not any(fields):
        return 0
    pattern = _NUMBER[decimal]
    return len(fields) if all(not field or pattern.fullmatch(field) for field in fields) else 0


def _first_run(lines: Sequence[str], separator: str, decimal: str) -> tuple[int, int] | None:
    """Return first line and width of the first run of equally wide rows."""
    run_start, run_width, run = -1, 0, 0
    earlier: list[tuple[int, int]] = []
    for number, line in enumerate(lines):
        if not line.strip():
            if run >= 1 and not any(rest.strip() for rest in lines[number:]):
                break
            continue
        width = row_width(line, separator, decimal)
        if width and width == run_width:
            run += 1
        else:
            if run:
                earlier.extend([(run_start, run_width)] * run)
            run_start, run_width, run = number, width, int(width > 0)
        if run >= _RUN:
            break
    if not run:
        # A damaged end, or very few rows: fall back on the last rows of numbers seen.
        if not earlier:
            return None
        run_start, run_width = earlier[-1]
    # Rows of the same width before a damaged line are data as well, so that the damage is reported.
    same = [start for start, width in earlier if width == run_width]
    if same and (run_width > 1 or len(same) > 1):
        run_start = same[0]
    return run_start, run_width


def _comma_separates(lines: Sequence[str], first: int, header: str) -> bool:
    """Tell whether the one comma a line separates two columns (else it is a decimal comma).

    Raises
    ------
    ValueError
        When both readings are possible.
    """
    names = split_line(header, ",") if header else []
    if len(names) == 2 and all(names):
        return True
    if header:
        return False
    parts = [line.strip().split(",") for line in lines[first : first + 200] if line.count(",") == 1]
    left = [part[0] for part in parts]
    right = [part[1].strip() for part in parts]
    if any(value.startswith(("-", "+")) or "." in value for value in right) or any("." in value for value in left):
        return True
    if any(len(value) > 1 and value.startswith("0") for value in right) or any(value == "-0" for value in left):
        return False
    steps = {int(after) - int(before) for before, after in zip(left[:-1], left[1:], strict=True)}
    if len(steps) == 1 and steps != {0}:
        return True
    if len({len(value) for value in right}) == 1 and len(right[0]) > 1 and len(set(left)) < len(left):
        return False
    raise ValueError("a comma could be the decimal sign or a column separator")


def find_dialect(lines: Sequence[str]) -> Dialect | None:
    """Find how lines of text are written, None when no line of numbers is among them.

    Parameters
    ----------
    lines : sequence of str
        The first complete lines of the text.

    Returns
    -------
    Dialect or None

    Raises
    ------
    ValueError
        When a comma could be either the decimal sign or the separator.

    Examples
    --------
    >>> find_dialect(["time;voltage", "0,0;1,5", "0,1;1,6", "0,2;1,7"])
    Dialect(separator=';', decimal=',', columns=2, first_row=1, trailing=False)
    """
    lines = lines[: limits.HEADER_LINES + 200]
    # Most headers are short; the rest is looked at only when no sound run of numbers stands near the top.
    near = _dialect_of(lines[:_NEAR])
    if near is None or len(lines) <= _NEAR or _rows_below(lines, near) < _RUN:
        return _dialect_of(lines)
    return near


def _rows_below(lines: Sequence[str], dialect: Dialect) -> int:
    """Count the rows of the right width among the first lines of numbers."""
    first = [line for line in lines[dialect.first_row : _NEAR] if line.strip()][:_RUN]
    separator = dialect.separator or ";"
    return sum(row_width(line, separator, dialect.decimal) == dialect.columns for line in first)


def _dialect_of(lines: Sequence[str]) -> Dialect | None:
    found = []
    for order, (separator, decimal) in enumerate(_CANDIDATES):
        run = _first_run(lines, separator, decimal)
        if run:
            trailing = separator not in ("", " ") and lines[run[0]].rstrip("\r\n ").endswith(separator)
            found.append((run[0], order, Dialect(separator, decimal, run[1], run[0], trailing)))
    if not found:
        return None
    earliest = min(first for first, _, _ in found)
    tied = [dialect for first, _, dialect in found if first == earliest]
    widest = max(dialect.columns for dialect in tied)
    # Without any separator in the lines every candidate sees one column; a decimal sign still decides.
    best = next(dialect for dialect in tied if dialect.columns == widest)
    if best.columns == 1:
        sample = lines[best.first_row : best.first_row + 200]
        decimal = "," if any("," in line.rstrip().rstrip(",") for line in sample) else "."
        return Dialect("", decimal, 1, best.first_row)
    if best.separator == "," and best.columns == 2 and any(d.columns == 1 and d.decimal == "," for d in tied):
        header = next((strip_comment(line) for line in reversed(lines[: best.first_row]) if line.strip()), "")
        if ":" in header or "=" in header:
            header = ""
        if not _comma_separates(lines, best.first_row, header):
            return Dialect("", ",", 1, best.first_row)
    return best
