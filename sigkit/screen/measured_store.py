"""Measured tables laid aside on disk until their engine is judged, so that memory does not grow with an archive."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from sigkit.types.firing_table import Table


class MeasuredStore:
    """Keeps tables under running numbers in a folder.

    Parameters
    ----------
    folder : path
        Made here; removed with everything in it by `remove`.
    """

    def __init__(self, folder: str | Path) -> None:
        self.folder = Path(folder)
        self.folder.mkdir()
        self._count = 0

    def put(self, table: Table, intervals: Table) -> int:
        """Lay aside the tables of one capture and return their number."""
        number = self._count
        self._count += 1
        _write(self._path(number, "firings"), table)
        _write(self._path(number, "intervals"), intervals)
        return number

    def take(self, number: int) -> tuple[Table, Table]:
        """Return the tables laid aside under a number and forget them; text comes back as objects."""
        tables = []
        for name in ("firings", "intervals"):
            path = self._path(number, name)
            tables.append(_read(path))
            path.unlink()
        return tables[0], tables[1]

    def remove(self) -> None:
        """Remove the folder."""
        for path in self.folder.iterdir():
            path.unlink()
        self.folder.rmdir()

    def _path(self, number: int, name: str) -> Path:
        return self.folder / f"{number:08d}.{name}"


def _write(path: Path, table: Table) -> None:
    import pyarrow as pa

    # NaN stays NaN here (no nulls), so that every number comes back to the last bit.
    columns: dict[str, Any] = {
        name: pa.array([str(cell) for cell in column], type=pa.string()) if column.dtype.kind in "OUS" else column
        for name, column in table.items()
    }
    stored = pa.table(columns)
    with pa.OSFile(str(path), "wb") as sink, pa.ipc.new_file(sink, stored.schema) as writer:
        writer.write_table(stored)


def _read(path: Path) -> Table:
    import pyarrow as pa

    with pa.OSFile(str(path), "rb") as source:
        stored = pa.ipc.open_file(source).read_all()
    # Copies, so that the columns can be written to.
    return {name: np.array(stored[name].to_numpy(zero_copy_only=False)) for name in stored.column_names}
