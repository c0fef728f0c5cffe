"""The period at which one lead fires, and how many periods lie between its firings."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sigkit.prepare.median import row_median

#: Firings of one lead are at least this far apart, seconds (our choice: 6700/min on a shared coil).
SHORTEST_S = 9e-3


def firing_period(times_s: NDArray) -> float:
    """Return the usual time between firings, robust to missing ones; NaN with fewer than two firings.

    Parameters
    ----------
    times_s : ndarray, shape (n,)
        Ascending, seconds.

    Examples
    --------
    >>> round(firing_period(np.array([0.0, 0.1, 0.2, 0.4, 0.5])), 3)
    0.1
    """
    return float(_usual(np.diff(times_s)[None])[0])


def local_periods(times_s: NDArray, back: int, ahead: int) -> NDArray[np.float64]:
    """Return the `firing_period` about each firing, so many firings before and behind it included.

    Examples
    --------
    >>> local_periods(np.array([0.0, 0.1, 0.2, 0.4, 0.5]), 1, 1).round(3).tolist()
    [0.1, 0.1, 0.1, 0.1, 0.1]
    """
    gaps = np.pad(np.diff(times_s), (back, ahead), constant_values=np.nan)
    return _usual(gaps[np.arange(times_s.size)[:, None] + np.arange(back + ahead)])


def _usual(gaps: NDArray) -> NDArray[np.float64]:
    """Return the period of each row of gaps, NaN ignored."""
    if gaps.shape[1] == 0:
        return np.full(len(gaps), np.nan)
    gaps = np.sort(np.where(gaps > SHORTEST_S, gaps, np.nan), axis=1)
    # Missing firings make gaps of two, three ... periods: start from the lower part of the gaps. The quantile is formed
    # here, since numpy's for rows with NaN loops over them.
    place = 0.25 * np.maximum(np.isfinite(gaps).sum(axis=1) - 1, 0)[:, None]
    low = place.astype(np.int64)
    first, second = (np.take_along_axis(gaps, at, axis=1) for at in (low, np.minimum(low + 1, gaps.shape[1] - 1)))
    share = place - low
    start = np.where(share > 0, first + (second - first) * share, first)
    return row_median(gaps / np.maximum(np.round(gaps / start), 1.0))


def period_numbers(times_s: NDArray) -> NDArray[np.int64]:
    """Number the firings by periods from the first; the period may change slowly.

    Examples
    --------
    >>> period_numbers(np.array([0.0, 0.1, 0.21, 0.43, 0.54])).tolist()
    [0, 1, 2, 4, 5]
    """
    n = times_s.size
    if n < 2:
        return np.zeros(n, dtype=np.int64)
    gaps = np.diff(times_s)
    local = local_periods(times_s, 4, 5)[:-1]
    overall = firing_period(times_s)
    local = np.where(np.isfinite(local) & (np.abs(local / overall - 1) < 0.4), local, overall)
    steps = np.maximum(np.round(gaps / local), 0) if np.isfinite(overall) else np.zeros(n - 1)
    return np.concatenate([[0], np.cumsum(steps)]).astype(np.int64)
