"""Writes the tables of a run: firings, intervals, captures, rejected inputs, and the record of the run."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sigkit.report.format_value import round_to_decimals, round_to_digits, round_to_uncertainty
from sigkit.types.firing_table import INTEGER_COLUMNS, INTERVAL_COLUMNS, all_columns, is_text
from sigkit.types.measurements import QUANTITIES

#: Columns of ``captures.csv``: one row a capture, worst first.
CAPTURE_COLUMNS = (
    "capture",
    "engine",
    "verdict",
    "score",
    "reasons",
    "advice",
    "conditions",
    "firings",
    "firings_without_spark",
    "firings_absent",
    "channels",
    "sample_rate_Hz",
    "duration_s",
    "engine_speed_rpm",
    "format",
    "recording",
    "sweep",
    "time_origin",
    "profile",
    "note",
    "warnings",
)
#: Columns of ``rejected.csv``: one row an input that could not be used.
REJECTED_COLUMNS = ("capture", "place", "reason", "remedy")
#: Rows gathered before they are laid aside; also the size of a row group (our choice).
ROWS_TOGETHER = 20_000
#: Decimals of seconds without an uncertainty: 1 ns, below the sample interval of any recorder we expect.
SECOND_DECIMALS = 9
PROBABILITY_DECIMALS = 3


class FiringTableWriter:
    """Writes ``firings.parquet``, ``firings.csv`` and ``intervals.parquet`` piece by piece.

    Pieces may bring further columns of their own: they follow the fixed ones, in alphabetical order,
    and are empty where a piece has none. Memory holds about `ROWS_TOGETHER` rows.

    Parameters
    ----------
    folder : path
        Existing folder.
    """

    def __init__(self, folder: str | Path) -> None:
        self.folder = Path(folder)
        self._parts = self.folder / ".parts"
        self._parts.mkdir()
        self._count = 0
        self._waiting: dict[str, list[Any]] = {"firings": [], "intervals": []}

    def append(self, table: Mapping[str, NDArray], intervals: Mapping[str, NDArray]) -> None:
        """Add the firings of some captures; the order of calls is the order of rows."""
        self._waiting["firings"].append(arrow_table(table, all_columns()))
        self._waiting["intervals"].append(arrow_table(intervals, INTERVAL_COLUMNS))
        if sum(piece.num_rows for piece in self._waiting["firings"]) >= ROWS_TOGETHER:
            self._lay_aside()

    def _lay_aside(self) -> None:
        import pyarrow as pa
        import pyarrow.parquet as pq

        for name, pieces in self._waiting.items():
            # Small pieces together: a row group of a few rows in 130 columns is mostly description.
            together = pa.concat_tables(pieces, promote_options="permissive")
            pq.write_table(together, self._parts / f"{name}-{self._count:08d}.parquet")
            pieces.clear()
        self._count += 1

    def close(self) -> None:
        """Join the pieces into the files of the run."""
        from sigkit.types.firing_table import empty_table

        if not self._count and not self._waiting["firings"]:
            self.append(empty_table(0), {name: np.array([]) for name in INTERVAL_COLUMNS})
        if self._waiting["firings"]:
            self._lay_aside()
        self._join("firings", with_csv=True)
        self._join("intervals", with_csv=False)
        self._parts.rmdir()

    def _join(self, name: str, with_csv: bool) -> None:
        import pyarrow as pa
        import pyarrow.csv as pc
        import pyarrow.parquet as pq

        parts = sorted(self._parts.glob(f"{name}-*.parquet"))
        fixed = all_columns() if name == "firings" else INTERVAL_COLUMNS
        schema = pa.unify_schemas([pq.read_schema(part) for part in parts], promote_options="permissive")
        further = sorted(set(schema.names) - set(fixed))
        schema = pa.schema([schema.field(column) for column in (*fixed, *further)])
        options = pc.WriteOptions(quoting_style="needed", quoting_header="needed")
        csv_writer = (
            pc.CSVWriter(self.folder / f"{name}.csv", schema, write_options=options) if with_csv else None
        )
        try:
            with pq.ParquetWriter(self.folder / f"{name}.parquet", schema, compression="zstd") as writer:
                for part in parts:
                    piece = pa.concat_tables(
                        [pq.read_table(part), schema.empty_table()], promote_options="permissive"
                    ).select(schema.names)
                    writer.write_table(piece)
                    if csv_writer is not None:
                        csv_writer.write_table(rounded(piece))
                    part.unlink()
        finally:
            if csv_writer is not None:
                csv_writer.close()


def write_firings(folder: str | Path, table: Mapping[str, NDArray], intervals: Mapping[str, NDArray]) -> None:
    """Write ``firings.parquet``, ``firings.csv`` and ``intervals.parquet`` of a table held in memory."""
    writer = FiringTableWriter(folder)
    writer.append(table, intervals)
    writer.close()


def write_firings_csv(path: str | Path, table: Mapping[str, NDArray]) -> None:
    """Write a firing table as CSV alone, with the digits the uncertainties support."""
    import pyarrow.csv as pc

    options = pc.WriteOptions(quoting_style="needed", quoting_header="needed")
    pc.write_csv(rounded(arrow_table(table, all_columns())), path, write_options=options)


def arrow_table(table: Mapping[str, NDArray], fixed: Sequence[str]) -> Any:
    """Return an Arrow table: the fixed columns in order and typed, then all others; NaN is empty.

    Parameters
    ----------
    table : mapping of str to ndarray
    fixed : sequence of str
        Columns that come first.

    Returns
    -------
    pyarrow.Table

    Raises
    ------
    KeyError
        When a fixed column is absent.
    """
    import pyarrow as pa

    names = [*fixed, *sorted(set(table) - set(fixed))]
    return pa.table({name: _arrow_column(name, np.asarray(table[name])) for name in names})


def _arrow_column(name: str, column: NDArray) -> Any:
    import pyarrow as pa

    text_like = column.dtype.kind in "OUS" and name not in INTEGER_COLUMNS
    if is_text(name) or (text_like and name not in all_columns()):
        return pa.array([str(cell) for cell in column], type=pa.string())
    if name in INTEGER_COLUMNS or column.dtype.kind in "iu":
        return pa.array(column.astype(np.int64))
    if column.dtype.kind == "b":
        return pa.array(column)
    return pa.array(column.astype(np.float64), from_pandas=True)


def rounded(table: Any) -> Any:
    """Return an Arrow table whose numbers carry the digits their uncertainty supports, for people to read."""
    import pyarrow as pa

    u_of = {
        column: spec.u_column
        for spec in QUANTITIES
        for column in (spec.column, spec.lo_column, spec.hi_column)
    }
    u_columns = {spec.u_column for spec in QUANTITIES}
    columns = []
    for name in table.column_names:
        column = table[name]
        if not pa.types.is_floating(column.type):
            columns.append(column)
            continue
        value = column.to_numpy(zero_copy_only=False)
        if name in u_columns:
            value = round_to_digits(value, 2)
        elif name in u_of:
            value = round_to_uncertainty(value, table[u_of[name]].to_numpy(zero_copy_only=False))
        elif name.endswith("_s"):
            value = round_to_decimals(value, np.full(len(value), float(SECOND_DECIMALS)))
        elif "probability" in name:
            value = round_to_decimals(value, np.full(len(value), float(PROBABILITY_DECIMALS)))
        else:
            value = round_to_digits(value)
        columns.append(pa.array(value, from_pandas=True))
    return pa.table(columns, names=table.column_names)


def write_rows(path: str | Path, rows: Sequence[Mapping[str, Any]], columns: Sequence[str]) -> None:
    """Write rows as CSV (RFC 4180 quoting, UTF-8): lists are joined by ``; ``, missing values are empty.

    Parameters
    ----------
    path : path
    rows : sequence of mapping
    columns : sequence of str
        Columns in order; a row without one has it empty, a row with another is an error.

    Raises
    ------
    KeyError
        When a row holds a column that is not listed.
    """
    import csv

    with open(path, "w", newline="", encoding="utf-8") as stream:
        writer = csv.writer(stream, lineterminator="\n")
        writer.writerow(columns)
        for row in rows:
            surplus = set(row) - set(columns)
            if surplus:
                raise KeyError(f"columns not listed: {', '.join(sorted(surplus))}")
            writer.writerow([_cell(row.get(column)) for column in columns])


def _cell(value: Any) -> str:
    if value is None or (isinstance(value, float) and not np.isfinite(value)):
        return ""
    if isinstance(value, (list, tuple)):
        return "; ".join(_cell(item) for item in value)
    if isinstance(value, (float, np.floating)):
        return repr(float(round_to_digits([float(value)])[0])).removesuffix(".0")
    return str(value)


def write_captures(folder: str | Path, rows: Sequence[Mapping[str, Any]]) -> None:
    """Write ``captures.csv``, in the order given (worst first)."""
    write_rows(Path(folder) / "captures.csv", rows, CAPTURE_COLUMNS)


def write_rejected(folder: str | Path, rows: Sequence[Mapping[str, Any]]) -> None:
    """Write ``rejected.csv``."""
    write_rows(Path(folder) / "rejected.csv", rows, REJECTED_COLUMNS)


def write_run_record(folder: str | Path, record: Mapping[str, Any]) -> None:
    """Write ``run.json``: versions, settings, model, seeds, counts."""
    text = json.dumps(record, indent=2, ensure_ascii=False, sort_keys=False, allow_nan=False)
    (Path(folder) / "run.json").write_text(text + "\n", encoding="utf-8")


def read_firings(folder: str | Path, batch_rows: int = 50_000) -> Iterator[dict[str, NDArray]]:
    """Read ``firings.parquet`` back in batches, missing numbers as NaN.

    Yields
    ------
    dict of str to ndarray
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    with pq.ParquetFile(Path(folder) / "firings.parquet") as stored:
        for batch in stored.iter_batches(batch_rows):
            table = pa.Table.from_batches([batch])
            yield {name: table[name].to_numpy(zero_copy_only=False) for name in table.column_names}
