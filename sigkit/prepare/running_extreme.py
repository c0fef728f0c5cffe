"""Minimum and maximum of windows of rows of numbers by doubling, in numpy's vectorised element-wise operations."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray


def running_extreme(values: NDArray, width: int, before: int, of: np.ufunc) -> NDArray:
    """Return the extreme of the window ``[i - before, i - before + width)`` for each i; ends repeat the end
    value.

    Own code, since scipy.ndimage's running extremes compare one number after the other (ten times slower here).

    Parameters
    ----------
    values : ndarray, shape (..., n)
    width : int
        Numbers in a window, positive.
    before : int
        Numbers of the window before i, 0 ... width - 1.
    of : numpy.ufunc
        ``numpy.minimum`` or ``numpy.maximum``.

    Returns
    -------
    ndarray, shape (..., n)

    Examples
    --------
    >>> running_extreme(np.array([3, 1, 4, 1, 5]), 3, 1, np.maximum).tolist()
    [3, 4, 4, 5, 5]
    """
    if values.size == 0 or width == 1:
        return values.copy()
    # By hand: numpy.pad takes longer than all that follows on short lists.
    n = values.shape[-1]
    result = np.empty((*values.shape[:-1], n + width - 1), dtype=values.dtype)
    result[..., before : before + n] = values
    result[..., :before] = values[..., :1]
    result[..., before + n :] = values[..., -1:]
    return whole_windows(result, width, of)


def whole_windows(values: NDArray, width: int, of: np.ufunc, done: int = 1) -> NDArray:
    """Return the extreme of each window ``[i, i + width)`` that lies within the row.

    Parameters
    ----------
    values : ndarray, shape (..., n)
        With ``done``, already the extremes of windows of so many numbers.
    width : int
    of : numpy.ufunc
        ``numpy.minimum`` or ``numpy.maximum``.
    done : int, optional
        At most ``width``.

    Returns
    -------
    ndarray, shape (..., n + done - width)

    Examples
    --------
    >>> whole_windows(np.array([3, 1, 4, 1, 5]), 3, np.maximum).tolist()
    [4, 4, 5]
    """
    result = values
    while done < width:
        # Two windows of the length done so far, overlapping in the last step, make the next one.
        step = min(done, width - done)
        result = of(result[..., :-step], result[..., step:])
        done += step
    return result


def extremes_at(values: NDArray, begin: NDArray, widths: NDArray, of: np.ufunc) -> NDArray:
    """Return the extremes of a few windows ``[begin, begin + width)`` of each row.

    A window that begins off the row is moved to its nearest end; what reaches beyond the last value repeats it.

    Parameters
    ----------
    values : ndarray, shape (n, m)
        Not empty.
    begin : ndarray of int, shape (n, k, w)
        First column of each window.
    widths : ndarray of int, shape (w,)
        Their lengths, positive.
    of : numpy.ufunc
        ``numpy.minimum`` or ``numpy.maximum``.

    Returns
    -------
    ndarray, shape (n, k, w)

    Examples
    --------
    >>> extremes_at(np.array([[3, 1, 4, 1, 5]]), np.array([[[0, 1]]]), np.array([2, 3]), np.maximum).tolist()
    [[[3, 4]]]
    """
    n, m = values.shape
    longest = int(widths.max())
    table = np.empty((n, m + longest), dtype=values.dtype)
    table[:, :m] = values
    table[:, m:] = values[:, -1:]
    begin = np.clip(begin, 0, m - 1)
    result = np.empty(begin.shape, dtype=values.dtype)
    size = 1
    while True:
        # Two windows of this size that overlap make one of up to twice its length.
        own = (widths >= size) & (widths < 2 * size)
        first = begin[:, :, own] + (np.arange(n) * table.shape[1])[:, None, None]
        result[:, :, own] = of(table.take(first), table.take(first + widths[own] - size))
        if 2 * size > longest:
            return result
        table = of(table[:, :-size], table[:, size:])
        size *= 2
