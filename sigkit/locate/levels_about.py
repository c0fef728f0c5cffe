"""Mean levels of rows in bins about given columns."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sigkit.prepare.row_parts import row_parts

#: Less of a column than this holds no level.
LEAST_COUNT = 1e-6


class RunningLevels:
    """Running sums of rows, from which the mean of any stretch is read in one step.

    Parameters
    ----------
    rows : ndarray, shape (n, m)
        NaN off the record.
    """

    def __init__(self, rows: NDArray) -> None:
        n, m = rows.shape
        good = np.isfinite(rows)
        self._sum = np.zeros((n, m + 1))
        for part in row_parts(n, m):
            np.cumsum(np.where(good[part], rows[part], 0.0), axis=1, out=self._sum[part, 1:])
        # Most rows are recorded from one column to another; only others need running counts.
        number = np.count_nonzero(good, axis=1)
        self._begin = good.argmax(axis=1).astype(float)
        self._end = np.where(number > 0, m - good[:, ::-1].argmax(axis=1), self._begin)
        self._count: NDArray[np.float64] | None = None
        if (number != self._end - self._begin).any():
            self._count = np.zeros((n, m + 1))
            np.cumsum(good, axis=1, out=self._count[:, 1:])

    def blocks(self, length: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return mean and count of recorded columns of blocks of so many columns from column 0, shape (n, blocks)."""
        edges = np.arange(0, self._sum.shape[1], length)
        if self._count is None:
            recorded = np.minimum(np.maximum(edges, self._begin[:, None]), self._end[:, None])
        else:
            recorded = self._count[:, ::length]
        return _means(np.diff(self._sum[:, ::length], axis=1), np.diff(recorded, axis=1))

    def about(self, row: NDArray, column: NDArray, edges: NDArray) -> tuple[NDArray, NDArray]:
        """Return the means of the bins about columns.

        Parameters
        ----------
        row : ndarray of int, shape (k,)
            Row of each place.
        column : ndarray, shape (k,)
            Float column of each place.
        edges : ndarray, shape (b + 1,)
            Bin edges in columns about the place, ascending.

        Returns
        -------
        mean : ndarray, shape (k, b)
            0 where nothing was recorded.
        count : ndarray, shape (k, b)
            Recorded columns.
        """
        m = self._sum.shape[1] - 1
        # Column c covers [c - 0.5, c + 0.5]; the sums at an edge are read linearly inside a column.
        at = np.clip(column[:, None] + edges[None, :] + 0.5, 0.0, float(m))
        low = np.minimum(at.astype(np.int64), m - 1)
        share = at - low
        # Flat places: a plain take is several times faster than an index in two dimensions.
        low += (row * (m + 1))[:, None]

        def read(sums: NDArray) -> NDArray:
            whole = sums.ravel()
            first = whole.take(low)
            return np.asarray(first + (whole[1:].take(low) - first) * share)

        if self._all_recorded(row, column.min() + edges[0], column.max() + edges[-1]):
            count = np.diff(edges)[None, :]
        elif self._count is None:
            count = np.diff(np.minimum(np.maximum(at, self._begin[row, None]), self._end[row, None]), axis=1)
        else:
            count = np.diff(read(self._count), axis=1)
        return _means(np.diff(read(self._sum), axis=1), count)

    def along(
        self, row: slice, column: NDArray, offsets: NDArray, edges: NDArray
    ) -> tuple[NDArray[np.float32], NDArray]:
        """Return the means of the bins about equally spaced columns: the same as `about`, several times faster.

        Parameters
        ----------
        row : slice
            The n rows read.
        column : ndarray of int, shape (n,)
            A column of each of these rows.
        offsets : ndarray, shape (k,)
            Places behind that column, float columns a whole number of columns apart.
        edges : ndarray, shape (b + 1,)
            Bin edges in columns about a place, ascending.

        Returns
        -------
        mean, count : ndarray, shape (b, n, k)
            As `about` says.
        """
        m = self._sum.shape[1] - 1
        k = offsets.size
        step = round(offsets[1] - offsets[0]) if k > 1 else 1
        first = offsets[0] + edges + 0.5
        low = np.floor(first).astype(np.int64)
        reach = np.arange(low[0], low[-1] + (k - 1) * step + 2)
        # All that is read of a row, in one piece; places at equal distance are then a view of it.
        at = np.clip(column[:, None] + reach, 0, m)
        sums = np.take_along_axis(self._sum[row], at, axis=1)

        def read(values: NDArray) -> NDArray:
            result = np.empty((edges.size - 1, len(column), k), dtype=np.float32)
            before = np.zeros((len(column), k))
            for number, (begin, share) in enumerate(zip(low - low[0], first - low, strict=True)):
                here = values[:, begin : begin + (k - 1) * step + 1 : step]
                level = values[:, begin + 1 : begin + (k - 1) * step + 2 : step] - here
                level *= share
                level += here
                if number:
                    np.subtract(level, before, out=result[number - 1], casting="same_kind")
                before = level
            return result

        if self._all_recorded(row, column.min() + offsets[0] + edges[0], column.max() + offsets[-1] + edges[-1]):
            return _means(read(sums), np.diff(edges)[:, None, None])
        if self._count is None:
            return _means(read(sums), read(np.minimum(np.maximum(at, self._begin[row, None]), self._end[row, None])))
        return _means(read(sums), read(np.take_along_axis(self._count[row], at, axis=1)))

    def _all_recorded(self, row: NDArray | slice, first: float, last: float) -> bool:
        """Whether these rows are recorded from one column to the other."""
        return bool(
            self._count is None and first + 0.5 >= self._begin[row].max() and last + 0.5 <= self._end[row].min()
        )


def _means(total: NDArray, count: NDArray) -> tuple[NDArray, NDArray]:
    """Turn sums into means in place; 0 where too little was recorded."""
    total *= np.where(count > LEAST_COUNT, 1.0 / np.maximum(count, LEAST_COUNT), 0.0)
    return total, np.broadcast_to(count, total.shape)
