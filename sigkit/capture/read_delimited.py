"""Read CSV and other delimited text."""

from __future__ import annotations

import io
import mmap
import os
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

from sigkit.capture import limits
from sigkit.capture.assemble_captures import Origin, captures_from_columns
from sigkit.capture.column_names import ColumnName
from sigkit.capture.file_facts import read_facts
from sigkit.capture.text_dialect import Dialect, find_dialect, row_fault, row_width, text_encoding
from sigkit.capture.text_header import read_header
from sigkit.capture.time_axis import UnusableTime, fit_time_axis, sweep_starts
from sigkit.contracts.reader import ReadOptions
from sigkit.errors import CaptureError
from sigkit.types.capture import Capture

_BLANK_LINE = re.compile(rb"\n[ \t]*\r?\n")
_REMEDY = "export again as plain columns of numbers under one header"
#: Control characters that never occur in text (C0 of ISO 646 less tab, line feed, form feed, return, ESC).
_CONTROL = bytes(code for code in range(32) if code not in (9, 10, 12, 13, 27))
#: Fewest rows over which an unnamed first column is believed to be time (our choice).
_FEWEST_TIME_ROWS = 8


@dataclass(frozen=True)
class _Block:
    """Rows without a blank line between them: first line number (from 0) and byte or character range."""

    line: int
    text: str


class DelimitedReader:
    """Reads columns of numbers under any header, by the C parser of `numpy.loadtxt`.

    Separators ``;`` tab ``|`` ``,`` and blanks, decimal point or comma, UTF-8, UTF-16 or Latin-1, statements and
    column names before the numbers, sweeps one below the other. ``ReadOptions.extra["parser"] = "pandas"`` parses
    with pandas where it is installed.
    """

    name = "delimited"
    suffixes = (".csv", ".txt", ".tsv", ".dat", ".asc", ".tab")
    expects = "lines of numbers in columns"

    def sniff(self, head: bytes, name: str) -> float:
        """Return 0.8 for text with rows of numbers, 0.1 for other text under a usual ending."""
        encoding = text_encoding(head)
        if not encoding.startswith("utf-16") and any(code in _CONTROL for code in set(head)):
            return 0.0
        lines = head.decode(encoding, "replace").lstrip("\ufeff").splitlines()
        usual = 0.1 if name.lower().endswith(self.suffixes) else 0.0
        if (lines and lines[0].lstrip()[:1] in ("{", "<")) or (lines and lines[0].strip() == "["):
            return 0.0
        try:
            found = find_dialect(lines[:-1] if len(head) >= limits.SNIFF_BYTES else lines)
        except ValueError:
            return 0.8
        return 0.8 if found else usual

    def read(self, source: str | BinaryIO, name: str, options: ReadOptions) -> Sequence[Capture]:
        """Read a path or stream; see the contract `sigkit.contracts.reader.Reader`."""
        origin = Origin(source if isinstance(source, str) else name, name, self.name)
        stream: Any
        try:
            stream = open(source, "rb") if isinstance(source, str) else source
            with stream if isinstance(source, str) else _kept_open():
                head = stream.read(limits.HEADER_BYTES)
                encoding, lines, dialect = _dialect(head, origin)
                table, rows_at, sweep_rows = _parse(stream, source, encoding, dialect, options, origin)
        except (OSError, UnicodeError) as fault:
            raise origin.error(f"the text cannot be read: {fault}", _REMEDY) from fault
        labels, statements = read_header(lines[: dialect.first_row], dialect)
        starts = np.array([row for row, _ in rows_at])
        first_lines = [line for _, line in rows_at]

        def place(row: int) -> str:
            block = int(np.searchsorted(starts, row, side="right")) - 1
            return f"line {first_lines[block] + row - int(starts[block]) + 1}"

        origin.place = place
        labels = _labels(labels, table, options, origin)
        columns: list[NDArray] = [np.ascontiguousarray(table[:, number]) for number in range(table.shape[1])]
        if options.array is not None:
            kept = [number for number, label in enumerate(labels)
                    if label.quantity == "time" or label.name == options.array]
            if not any(labels[number].name == options.array for number in kept):
                raise origin.error(f"no column called {options.array!r}; columns: "
                                   + ", ".join(label.name for label in labels), "correct the name of the column")
            labels, columns = [labels[number] for number in kept], [columns[number] for number in kept]
        return captures_from_columns(labels, columns, read_facts(statements), options, origin, sweep_rows)


class _kept_open:
    """Leave a stream that the caller opened as it is."""

    def __enter__(self) -> None:
        return None

    def __exit__(self, *_: object) -> None:
        return None


def _dialect(head: bytes, origin: Origin) -> tuple[str, list[str], Dialect]:
    """Return encoding, first lines and dialect, or say why there is none."""
    if not head.strip():
        raise origin.error("the file is empty", "export the record again")
    encoding = text_encoding(head[: limits.SNIFF_BYTES])
    lines = head.decode(encoding, "replace").lstrip("\ufeff").splitlines()
    if len(head) == limits.HEADER_BYTES and len(lines) > 1:
        lines.pop()
    try:
        dialect = find_dialect(lines)
    except ValueError as fault:
        raise origin.error(str(fault), "use ; between columns, or name the columns in a header line",
                           "line 1") from fault
    if dialect is None:
        many = len(lines) > limits.HEADER_LINES or len(head) == limits.HEADER_BYTES
        where = f"line {min(len(lines), limits.HEADER_LINES)}"
        reason = (f"no row of numbers within the first {limits.HEADER_LINES} lines or {limits.HEADER_BYTES} bytes"
                  if many else f"no row of numbers; the first line is {lines[0][:60]!r}")
        raise origin.error(reason, "export columns of numbers, dates and clock times as seconds", where)
    return encoding, lines, dialect


def _parse(stream: BinaryIO, source: str | BinaryIO, encoding: str, dialect: Dialect, options: ReadOptions,
           origin: Origin) -> tuple[NDArray[np.float64], list[tuple[int, int]], list[int]]:
    """Return the table, (row, line) of each block, and the rows at which a further sweep begins."""
    size = stream.seek(0, os.SEEK_END)
    stream.seek(0)
    if size > limits.MEMORY_BYTES:
        raise origin.error(f"{size} bytes of text do not fit into memory", "store the record as .npz or .wav")
    plain = not encoding.startswith("utf-16") and dialect.decimal == "." and not dialect.trailing
    if isinstance(source, str) and plain and size and not _has_blank_line(stream, dialect.first_row):
        table = _load(source, dialect.first_row, encoding, dialect, options)
        if table is None:
            stream.seek(0)
            raise _fault(stream.read().decode(encoding, "replace"), dialect.first_row, dialect, origin)
        return table, [(0, dialect.first_row)], []
    stream.seek(0)
    text = stream.read().decode(encoding).lstrip("\ufeff")
    tables: list[NDArray] = []
    rows_at: list[tuple[int, int]] = []
    row = 0
    for block in _blocks(text, dialect):
        content = block.text
        if dialect.trailing:
            content = re.sub(rf"[{re.escape(dialect.separator)} ]+$", "", content, flags=re.MULTILINE)
        content = content.replace(",", ".") if dialect.decimal == "," else content
        table = _load(io.StringIO(content), 0, None, dialect, options)
        if table is None:
            raise _fault(block.text, 0, dialect, origin, block.line)
        if len(table):
            rows_at.append((row, block.line))
            tables.append(table)
            row += len(table)
    return np.concatenate(tables), rows_at, [first for first, _ in rows_at[1:]]


def _has_blank_line(stream: BinaryIO, first_row: int) -> bool:
    """Tell whether a blank line follows the first rows and numbers follow that."""
    try:
        with mmap.mmap(stream.fileno(), 0, access=mmap.ACCESS_READ) as view:
            position = 0
            for _ in range(first_row):
                position = view.find(b"\n", position) + 1
            end = len(view)
            while end > position and view[end - 1] in b" \t\r\n":
                end -= 1
            return any(found.end() < end for found in _BLANK_LINE.finditer(view, position, end))
    except (OSError, ValueError):
        return True


def _blocks(text: str, dialect: Dialect) -> list[_Block]:
    """Split the rows at blank lines, dropping the headers repeated in front of later blocks."""
    lines = text.splitlines()[dialect.first_row :]
    groups: list[tuple[int, list[str]]] = []
    fresh = True
    for number, line in enumerate(lines, start=dialect.first_row):
        if not line.strip():
            fresh = True
            continue
        if fresh:
            groups.append((number, []))
            fresh = False
        groups[-1][1].append(line)
    rows = sum(len(group) for _, group in groups)
    if len(groups) > max(2, rows // 2):
        # A blank line after every row is a matter of line ends, not of sweeps.
        return [_Block(dialect.first_row, "\n".join(lines) + "\n")]
    blocks = []
    for order, (number, group) in enumerate(groups):
        skip = 0
        while order and skip < len(group) and row_fault(group[skip], dialect):
            skip += 1
        if order and skip == len(group):
            # Words alone are a remark; rows of numbers of another width are damage, to be reported below.
            widths = [row_width(line, dialect.separator or ";", dialect.decimal) for line in group]
            skip = next((number for number, width in enumerate(widths) if width), len(group))
        if skip < len(group):
            blocks.append(_Block(number + skip, "\n".join(group[skip:]) + "\n"))
    return blocks


def _load(text: Any, skip: int, encoding: str | None, dialect: Dialect,
          options: ReadOptions) -> NDArray[np.float64] | None:
    """Parse rows with the C parser; None when a row is faulty."""
    separator = {"": None, " ": None}.get(dialect.separator, dialect.separator)
    try:
        if options.extra.get("parser") == "pandas":
            table = _load_with_pandas(text, skip, encoding, dialect)
        else:
            table = np.loadtxt(text, skiprows=skip, delimiter=separator, comments=None, encoding=encoding, ndmin=2,
                               quotechar='"')  # fmt: skip
    except (ValueError, IndexError):
        return None
    return table if table.shape[1] == dialect.columns else None


def _load_with_pandas(text: Any, skip: int, encoding: str | None, dialect: Dialect) -> NDArray[np.float64]:
    """Parse rows with pandas, about three times as fast and three times as hungry."""
    import pandas

    separator = r"\s+" if dialect.separator in ("", " ") else dialect.separator
    frame = pandas.read_csv(text, skiprows=skip, header=None, sep=separator, encoding=encoding, engine="c",
                            dtype=np.float64, skip_blank_lines=True)
    return frame.to_numpy()


def _fault(text: str, skip: int, dialect: Dialect, origin: Origin, first_line: int = 0) -> CaptureError:
    """Return the error that names the first faulty line."""
    lines = text.splitlines()
    for number in range(skip, len(lines)):
        fault = row_fault(lines[number], dialect) if lines[number].strip() else ""
        if fault:
            last = not any(line.strip() for line in lines[number + 1 :])
            words = f"{fault}; the file looks cut off" if last and "columns where" in fault else fault
            return origin.error(words, _REMEDY, f"line {first_line + number + 1}")
    return origin.error("the rows cannot be read as numbers", _REMEDY, f"line {first_line + skip + 1}")


def _labels(labels: list[ColumnName] | None, table: NDArray, options: ReadOptions,
            origin: Origin) -> list[ColumnName]:
    """Name the columns; find an unnamed time column by its content."""
    result = labels or [ColumnName("") for _ in range(table.shape[1])]
    if labels is None:
        for number in range(table.shape[1]):
            result[number] = ColumnName(f"channel_{number + 1}")
    if table.shape[1] < 2 or any(label.quantity in ("time", "index") for label in result):
        return result
    if result[0].factor is None and len(table) >= _FEWEST_TIME_ROWS:
        column = table[:, 0]
        if np.array_equal(np.diff(column[: sweep_starts(column)[1] if len(sweep_starts(column)) > 1 else None]),
                          np.ones(max(int(np.argmax(np.diff(column) < 0)) or len(column) - 1, 0))):
            result[0] = ColumnName(result[0].name, "index")
        elif _is_time(column):
            result[0] = ColumnName("time" if labels is None else result[0].name, "time")
            origin.warnings.append("the first column increases in equal steps and is taken as time")
    if labels is None:
        shift = int(result[0].quantity != "")
        result[shift:] = [ColumnName(f"channel_{number + 1}") for number in range(table.shape[1] - shift)]
    return result


def _is_time(column: NDArray) -> bool:
    starts = sweep_starts(column)
    end = int(starts[1]) if len(starts) > 1 else len(column)
    if end < _FEWEST_TIME_ROWS or len(starts) > len(column) // _FEWEST_TIME_ROWS:
        return False
    try:
        fit_time_axis(column[:end])
    except UnusableTime:
        return False
    return True
