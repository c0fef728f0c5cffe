"""Cut a stretch of its own out of each row."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray


def take_columns(value: NDArray, begin: NDArray, end: NDArray) -> NDArray[np.float64]:
    """Cut ``begin <= column < end`` out of each row, left-justified and padded with NaN.

    Parameters
    ----------
    value : ndarray, shape (k, m)
    begin, end : ndarray, shape (k,)
        Columns; NaN gives an empty row.

    Returns
    -------
    ndarray, shape (k, largest length), at least one column

    Examples
    --------
    >>> take_columns(np.arange(8.0).reshape(2, 4), np.array([1, 3]), np.array([3, 4])).tolist()
    [[1.0, 2.0], [7.0, nan]]
    """
    m = value.shape[1]
    known = np.isfinite(begin) & np.isfinite(end)
    low = np.clip(np.ceil(np.where(known, begin, 0)), 0, m).astype(np.int64)
    high = np.clip(np.ceil(np.where(known, end, 0)), 0, m).astype(np.int64)
    length = np.maximum(high - low, 0)
    width = max(1, int(length.max())) if length.size else 1
    column = np.arange(width)
    inside = column < length[:, None]
    place = np.minimum(low[:, None] + column, max(m - 1, 0))
    return np.where(inside, np.take_along_axis(value, place, axis=1), np.nan)
