"""The second look at a long record: the blocks of chosen spans, in single precision."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

#: Blocks turned at a time (our choice: they stay in the first-level cache; measured, a third less than all at once).
TURNED_AT_ONCE = 320
#: Samples reduced at a time (our choice: single precision, they stay in the second-level cache).
SAMPLES_AT_ONCE = 1 << 17


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
        From `new_room`, used again for rows after rows: to get it anew each time costs as much as the work.

    Returns
    -------
    ndarray of float32, shape (4, k)
    """
    count, length = rows.shape
    at_once = max(1, SAMPLES_AT_ONCE // length)
    room = new_room(length) if room is None else room
    result = np.empty((4, count), dtype=np.float32)
    extremes = np.empty((2, count), dtype=rows.dtype)
    mean, square = result[2:]
    ones = np.full(length, 1.0 / length, dtype=np.float32)
    for first in range(0, count, at_once):
        part = slice(first, first + at_once)
        here = rows[part]
        _extremes(here, extremes[:, part], room)
        values = level.of(here, room[: here.size].reshape(here.shape))
        np.matmul(values, ones, out=mean[part])
        np.multiply(values, values, out=values)
        np.matmul(values, ones, out=square[part])
    # Upside down the smallest is the largest.
    level.of(extremes, result[1::-1] if level.sign < 0 else result[:2])
    square -= mean * mean
    np.maximum(square, 0.0, out=square)
    np.sqrt(square, out=square)
    return result


def new_room(length: int) -> NDArray[np.float32]:
    """Return room for the samples reduced at a time to blocks of a length."""
    return np.empty(max(SAMPLES_AT_ONCE, length), dtype=np.float32)


def _extremes(rows: NDArray, result: NDArray, room: NDArray[np.float32]) -> None:
    if rows.dtype.itemsize != 2 or not rows.dtype.isnative or rows.shape[1] % 2:
        np.minimum.reduce(rows, axis=1, out=result[0])
        np.maximum.reduce(rows, axis=1, out=result[1])
        return
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
