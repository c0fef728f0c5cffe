"""The second look at a long record: the blocks of chosen spans, in single precision."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Level:
    """Stored value from which levels count, stored values of their unit, and the sign they are turned by."""

    zero: float
    unit: float
    sign: int

    def of(self, stored: NDArray, out: NDArray[np.float32] | None = None) -> NDArray[np.float32]:
        """Return stored values as levels, in ``out`` where it is given."""
        level = np.empty(stored.shape, dtype=np.float32) if out is None else out
        if stored.dtype.kind in "iu" and stored.dtype.itemsize <= 2:
            # Exact: differences of such integers are held by single precision.
            level[...] = stored
            level -= np.float32(self.zero)
            if self.sign * self.unit != 1:
                level *= np.float32(self.sign / self.unit)
        else:
            level[...] = (stored.astype(np.float64) - self.zero) * (self.sign / self.unit)
        return level


def fine_blocks(rows: NDArray, level: Level, work: NDArray[np.float32] | None = None) -> NDArray[np.float32]:
    """Return minimum, maximum, mean and scatter of rows of stored samples.

    Parameters
    ----------
    rows : ndarray, shape (k, length)
        One block a row, contiguous.
    level : Level
    work : ndarray of float32, shape (at least k, length), optional
        Room to work in: to get it anew each time costs as much as the work.

    Returns
    -------
    ndarray of float32, shape (4, k)
    """
    length = rows.shape[1]
    low, high = (level.of(values) for values in _extremes(rows))
    if level.sign < 0:
        low, high = high, low
    values = level.of(rows, None if work is None else work[: rows.shape[0]])
    ones = np.full(length, 1.0 / length, dtype=np.float32)
    mean = values @ ones
    np.multiply(values, values, out=values)
    square = values @ ones
    return np.stack([low, high, mean, np.sqrt(np.maximum(square - mean * mean, 0.0))])


def _extremes(rows: NDArray) -> tuple[NDArray, NDArray]:
    if rows.dtype.itemsize != 2 or not rows.dtype.isnative or rows.shape[1] % 2:
        return rows.min(axis=1), rows.max(axis=1)
    # Blocks along the columns, so that each operation runs over many blocks; two samples are moved at a time.
    turned = np.ascontiguousarray(rows.view(np.int32).T).view(rows.dtype)
    low, high = turned.min(axis=0), turned.max(axis=0)
    return np.minimum(low[::2], low[1::2]), np.maximum(high[::2], high[1::2])
