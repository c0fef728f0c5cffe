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


@dataclass(frozen=True, eq=False)
class Room:
    """Room to work in, used again for rows after rows: to get it anew each time costs as much as the work.

    Attributes
    ----------
    values : ndarray of float32
    turned : ndarray of int32
    """

    values: NDArray[np.float32]
    turned: NDArray[np.int32]

    @classmethod
    def for_samples(cls, count: int) -> Room:
        """Return room for so many samples at a time."""
        return cls(np.empty(count, dtype=np.float32), np.empty(-(-count // 2), dtype=np.int32))


def fine_blocks(rows: NDArray, level: Level, room: Room | None = None) -> NDArray[np.float32]:
    """Return minimum, maximum, mean and scatter of rows of stored samples.

    Parameters
    ----------
    rows : ndarray, shape (k, length)
        One block a row, contiguous.
    level : Level
    room : Room, optional
        For at least as many samples.

    Returns
    -------
    ndarray of float32, shape (4, k)
    """
    length = rows.shape[1]
    room = Room.for_samples(rows.size) if room is None else room
    result = np.empty((4, rows.shape[0]), dtype=np.float32)
    low, high = _extremes(rows, room.turned)
    if level.sign < 0:
        low, high = high, low
    level.of(low, result[0])
    level.of(high, result[1])
    values = level.of(rows, room.values[: rows.size].reshape(rows.shape))
    ones = np.full(length, 1.0 / length, dtype=np.float32)
    mean = np.matmul(values, ones, out=result[2])
    np.multiply(values, values, out=values)
    square = np.matmul(values, ones, out=result[3])
    square -= mean * mean
    np.maximum(square, 0.0, out=square)
    np.sqrt(square, out=square)
    return result


def _extremes(rows: NDArray, turned: NDArray[np.int32]) -> tuple[NDArray, NDArray]:
    if rows.dtype.itemsize != 2 or not rows.dtype.isnative or rows.shape[1] % 2:
        return rows.min(axis=1), rows.max(axis=1)
    # Blocks along the columns, so that each operation runs over many blocks; two samples are moved at a time.
    pairs = rows.view(np.int32)
    columns = turned[: pairs.size].reshape(pairs.shape[::-1])
    for first in range(0, pairs.shape[0], TURNED_AT_ONCE):
        part = slice(first, first + TURNED_AT_ONCE)
        columns[:, part] = pairs[part].T
    samples = columns.view(rows.dtype)
    low, high = samples.min(axis=0), samples.max(axis=0)
    return np.minimum(low[::2], low[1::2]), np.maximum(high[::2], high[1::2])
