"""Write Parquet and Arrow IPC files."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np

from sigkit.capture.capture_statements import capture_statements
from sigkit.capture.read_arrow import LENGTHS
from sigkit.types.capture import Capture


def write_parquet(capture: Capture, path: Path) -> tuple[str, ...]:
    """Write one column a channel and the statements as metadata. Nothing is lost."""
    import pyarrow.parquet as pq

    pq.write_table(_table(capture), path, compression="zstd")
    return ()


def write_ipc(capture: Capture, path: Path) -> tuple[str, ...]:
    """Write an Arrow IPC file, which can be memory-mapped. Nothing is lost."""
    import pyarrow as pa

    table = _table(capture)
    with pa.OSFile(str(path), "wb") as sink, pa.ipc.new_file(sink, table.schema) as writer:
        writer.write_table(table)
    return ()


def _table(capture: Capture) -> Any:
    import pyarrow as pa

    longest = max(len(channel) for channel in capture.channels)
    columns = []
    for channel in capture.channels:
        column = pa.array(np.ascontiguousarray(channel.samples))
        if len(channel) < longest:
            column = pa.concat_arrays([column, pa.nulls(longest - len(channel), column.type)])
        columns.append(column)
    table = pa.table(dict(zip([f"channel_{k}" for k in range(len(columns))], columns, strict=True)))
    # JSON keeps names with any character apart, and NaN as an unknown full scale.
    said = {key: json.dumps(value) if isinstance(value, list) else str(value)
            for key, value in capture_statements(capture).items()}  # fmt: skip
    said[LENGTHS] = json.dumps([len(channel) for channel in capture.channels])
    return table.replace_schema_metadata(said)
