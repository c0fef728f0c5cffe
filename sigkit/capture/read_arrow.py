"""Read Parquet and Arrow IPC (Feather) files."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

from sigkit.capture import limits
from sigkit.capture.array_layout import captures_from_arrays
from sigkit.capture.assemble_captures import Origin
from sigkit.contracts.reader import ReadOptions
from sigkit.types.capture import Capture

_PARQUET = b"PAR1"
_ARROW = b"ARROW1"
#: Metadata keys that libraries write for themselves.
_FOREIGN = ("pandas", "ARROW:schema")
#: Statement of the number of samples a channel, as sigkit writes it; columns are padded to one length.
LENGTHS = "samples"
#: Nanoseconds a unit of a time column.
_NANOSECONDS = {"s": 10**9, "ms": 10**6, "us": 10**3, "ns": 1}


class ArrowReader:
    """Reads the numeric columns of a table; the schema's metadata are statements of the file.

    An uncompressed Arrow IPC file is memory-mapped. A column of durations or time stamps is time.
    """

    name = "arrow"
    suffixes = (".parquet", ".arrow", ".feather", ".pq")
    expects = "begins with PAR1 (Parquet) or ARROW1 (Arrow IPC)"

    def sniff(self, head: bytes, name: str) -> float:
        """Return 1 for the signature of Parquet or Arrow IPC."""
        return 1.0 if head.startswith((_PARQUET, _ARROW)) else 0.0

    def read(self, source: str | BinaryIO, name: str, options: ReadOptions) -> Sequence[Capture]:
        """Read a path or stream; see the contract `sigkit.contracts.reader.Reader`."""
        import pyarrow as pa

        origin = Origin(source if isinstance(source, str) else name, name, self.name)
        try:
            table = _table(source, origin)
            items, statements = _items(table, origin)
        except (pa.ArrowException, OSError, ValueError, KeyError, TypeError, MemoryError) as fault:
            raise origin.error(f"cut off or damaged Parquet or Arrow file: {fault}",
                               "copy or export the file again") from fault  # fmt: skip
        return captures_from_arrays(items, options, origin, {"": statements}, table=True)


def _table(source: str | BinaryIO, origin: Origin) -> Any:
    import pyarrow as pa
    import pyarrow.parquet as pq

    content: Any = pa.memory_map(source) if isinstance(source, str) else pa.BufferReader(source.read())
    parquet = content.read(4) == _PARQUET
    content.seek(0)
    if not parquet:
        return pa.ipc.open_file(content).read_all()
    file = pq.ParquetFile(content)
    size = sum(file.metadata.row_group(number).total_byte_size for number in range(file.metadata.num_row_groups))
    size = max(size, 8 * file.metadata.num_rows * file.metadata.num_columns)
    if size > limits.MEMORY_BYTES:
        raise origin.error(f"its columns claim {size} bytes of memory", "store channels in separate files")
    return file.read()


def _items(table: Any, origin: Origin) -> tuple[dict[str, Any], dict[str, Any]]:
    import pyarrow as pa

    statements: dict[str, Any] = {}
    for raw, value in (table.schema.metadata or {}).items():
        key = raw.decode("utf-8", "replace")
        if key not in _FOREIGN:
            statements[key] = _statement(value.decode("utf-8", "replace"))
    lengths = statements.pop(LENGTHS, None)
    items: dict[str, Any] = {}
    passed_over = []
    for number, (field, column) in enumerate(zip(table.schema, table.columns, strict=True)):
        if field.name.startswith("__index_level_"):
            continue
        if pa.types.is_timestamp(field.type) or pa.types.is_duration(field.type):
            items["time (s)"] = _seconds(column, field.type, statements)
        elif pa.types.is_floating(field.type) or pa.types.is_integer(field.type):
            whole = column.chunk(0) if column.num_chunks == 1 else column.combine_chunks()
            if isinstance(lengths, list) and len(lengths) == table.num_columns:
                whole = whole.slice(0, int(lengths[number]))
            # Empty cells of a foreign file become NaN and are refused as missing samples.
            items[field.name] = np.asarray(whole.to_numpy(zero_copy_only=False))
        else:
            passed_over.append(f"{field.name} ({field.type})")
    if passed_over:
        origin.warnings.append(f"columns that are no numbers were not used: {', '.join(passed_over[:10])}")
    return items, statements


def _statement(text: str) -> Any:
    """Return a JSON list as a list, a text parted by | likewise, anything else as it is."""
    if text.startswith("["):
        try:
            found = json.loads(text)
        except ValueError:
            return text
        if isinstance(found, list) and all(isinstance(item, (str, int, float)) for item in found):
            return found
    return text.split("|") if "|" in text else text


def _seconds(column: Any, kind: Any, statements: dict[str, Any]) -> NDArray[np.float64]:
    """Return durations in seconds; of time stamps the seconds from the first, which becomes the time origin."""
    import pyarrow as pa

    factor = _NANOSECONDS[kind.unit]
    counts = column.cast(pa.int64()).to_numpy()
    if pa.types.is_timestamp(kind):
        statements.setdefault("time_origin", str(column[0].cast(pa.string())))
        # Differences as whole numbers: a float holds the nanoseconds of today only to 200 ns.
        counts = counts - counts[0]
    return counts * (factor * 1e-9)
