"""Mean levels of rows in bins about given columns."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray


class RunningLevels:
    """Running sums of rows, from which the mean of any stretch is read in one step.

    Parameters
    ----------
    rows : ndarray, shape (n, m)
        NaN off the record.
    """

    def __init__(self, rows: NDArray) -> None:
        good = np.isfinite(rows)
        zero = np.zeros((len(rows), 1))
        self._sum = np.concatenate([zero, np.cumsum(np.where(good, rows, 0.0), axis=1)], axis=1)
        self._count = np.concatenate([zero, np.cumsum(good, axis=1)], axis=1)

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
        flat = low + (row * (m + 1))[:, None]

        def read(sums: NDArray) -> NDArray:
            whole = sums.ravel()
            first = whole.take(flat)
            return np.asarray(first + (whole.take(flat + 1) - first) * share)

        total, count = np.diff(read(self._sum), axis=1), np.diff(read(self._count), axis=1)
        return np.where(count > 1e-6, total / np.maximum(count, 1e-6), 0.0), count
