"""Read Parquet and Arrow IPC (Feather) files."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, BinaryIO

import numpy as np

from sigkit.capture.array_layout import captures_from_arrays
from sigkit.capture.assemble_captures import Origin
from sigkit.contracts.reader import ReadOptions
from sigkit.types.capture import Capture

_PARQUET = b"PAR1"
_ARROW = b"ARROW1"
#: Metadata keys that libraries write for themselves.
_FOREIGN = ("pandas", "ARROW:schema")


class ArrowReader:
    """Reads numeric columns; the schema's metadata are statements of the file."""

    name = "arrow"
    suffixes = (".parquet", ".arrow", ".feather")
    expects = "begins with PAR1 (Parquet) or ARROW1 (Arrow IPC)"

    def sniff(self, head: bytes, name: str) -> float:
        """Return 1 for the signature of Parquet or Arrow IPC."""
        return 1.0 if head.startswith((_PARQUET, _ARROW)) else 0.0

    def read(self, source: str | BinaryIO, name: str, options: ReadOptions) -> Sequence[Capture]:
        """Read a path or stream; see the contract `sigkit.contracts.reader.Reader`."""
        import pyarrow as pa

        origin = Origin(source if isinstance(source, str) else name, name, self.name)
        try:
            table = _table(source)
            items, statements = _items(table)
        except (pa.ArrowException, OSError, ValueError, KeyError, MemoryError) as fault:
            raise origin.error(f"damaged Parquet or Arrow file: {fault}",
                               "copy or export the file again") from fault  # fmt: skip
        return captures_from_arrays(items, options, origin, statements)


def _table(source: str | BinaryIO) -> Any:
    import pyarrow as pa
    import pyarrow.parquet as pq

    if isinstance(source, str):
        with open(source, "rb") as stream:
            parquet = stream.read(4) == _PARQUET
        if parquet:
            return pq.read_table(source, memory_map=True)
        with pa.memory_map(source) as mapped:
            return pa.ipc.open_file(mapped).read_all()
    content = pa.py_buffer(source.read())
    if content.slice(0, 4).to_pybytes() == _PARQUET:
        return pq.read_table(pa.BufferReader(content))
    return pa.ipc.open_file(content).read_all()


def _items(table: Any) -> tuple[dict[str, Any], dict[str, Any]]:
    import pyarrow as pa

    items: dict[str, Any] = {}
    for field, column in zip(table.schema, table.columns, strict=True):
        if pa.types.is_floating(field.type) or pa.types.is_integer(field.type):
            # Channels of different length are padded with nulls at their end.
            column = column.combine_chunks()
            length = len(column)
            while length and column.null_count and not column[length - 1].is_valid:
                length -= 1
            items[field.name] = np.asarray(column.slice(0, length).to_numpy(zero_copy_only=False))
    statements: dict[str, Any] = {}
    for raw, value in (table.schema.metadata or {}).items():
        key = raw.decode("utf-8", "replace")
        if key not in _FOREIGN:
            text = value.decode("utf-8", "replace")
            statements[key] = text.split("|") if "|" in text else text
    return items, statements
