"""The second look at a long record: the blocks of chosen spans, in single precision."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

#: Blocks turned at a time (our choice: they stay in the first-level cache; measured, a third less than all at once).
TURNED_AT_ONCE = 320


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
            if self.zero != 0:
                level -= np.float32(self.zero)
            if self.sign * self.unit != 1:
                level *= np.float32(self.sign / self.unit)
        else:
            level[...] = (stored.astype(np.float64) - self.zero) * (self.sign / self.unit)
        return level


def fine_blocks(rows: NDArray, level: Level, room: NDArray[np.float32] | None = None) -> NDArray[np.float32]:
    """Return minimum, maximum, mean and scatter of rows of stored samples.

    Parameters
    ----------
    rows : ndarray, shape (k, length)
        One block a row, contiguous.
    level : Level
    room : ndarray of float32, optional
        For at least as many samples, used again for rows after rows: to get it anew each time costs as much as the work.

    Returns
    -------
    ndarray of float32, shape (4, k)
    """
    count, length = rows.shape
    room = np.empty(rows.size, dtype=np.float32) if room is None else room
    result = np.empty((4, count), dtype=np.float32)
    # Upside down the smallest is the largest.
    level.of(_extremes(rows, room), result[1::-1] if level.sign < 0 else result[:2])
    values = level.of(rows, room[: rows.size].reshape(rows.shape))
    ones = np.full(length, 1.0 / length, dtype=np.float32)
    mean = np.matmul(values, ones, out=result[2])
    np.multiply(values, values, out=values)
    square = np.matmul(values, ones, out=result[3])
    square -= mean * mean
    np.maximum(square, 0.0, out=square)
    np.sqrt(square, out=square)
    return result


def _extremes(rows: NDArray, room: NDArray[np.float32]) -> NDArray:
    result = np.empty((2, rows.shape[0]), dtype=rows.dtype)
    if rows.dtype.itemsize != 2 or not rows.dtype.isnative or rows.shape[1] % 2:
        np.minimum.reduce(rows, axis=1, out=result[0])
        np.maximum.reduce(rows, axis=1, out=result[1])
        return result
    # Blocks along the columns, so that each operation runs over many blocks; two samples are moved at a time.
    pairs = rows.view(np.float32)
    columns = room[: pairs.size].reshape(pairs.shape[::-1])
    for first in range(0, pairs.shape[0], TURNED_AT_ONCE):
        part = slice(first, first + TURNED_AT_ONCE)
        columns[:, part] = pairs[part].T
    samples = columns.view(rows.dtype)
    for of, out in zip((np.minimum, np.maximum), result, strict=True):
        both = of.reduce(samples, axis=0)
        of(both[::2], both[1::2], out=out)
    return result
