"""Write truth tables as Parquet."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import numpy as np

from sigkit.types.firing_table import Table


def write_truth(path: str | Path, table: Table, names: Mapping[str, str]) -> None:
    """Write a truth table with the captures named as their files.

    Parameters
    ----------
    path : path
    table : Table
        From `sigkit.simulate.simulated_capture.stack_truth`.
    names : mapping of str to str
        Capture name -> file name.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    columns = dict(table)
    columns["capture"] = np.array([names[str(name)] for name in table["capture"]], dtype=object)
    arrays = {
        name: pa.array(column.tolist() if column.dtype == object else column) for name, column in columns.items()
    }
    pq.write_table(pa.table(arrays), path, compression="zstd")
