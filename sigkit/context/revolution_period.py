"""The period at which one lead fires, and how many periods lie between its firings."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

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
    gaps = np.diff(times_s)
    gaps = gaps[gaps > SHORTEST_S]
    if gaps.size == 0:
        return float("nan")
    # Missing firings make gaps of two, three ... periods: start from the lower part of the gaps.
    start = float(np.quantile(gaps, 0.25))
    count = np.maximum(np.round(gaps / start), 1.0)
    return float(np.median(gaps / count))


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
    local = np.array([firing_period(times_s[max(0, i - 4) : i + 6]) for i in range(n - 1)])
    overall = firing_period(times_s)
    local = np.where(np.isfinite(local) & (np.abs(local / overall - 1) < 0.4), local, overall)
    steps = np.maximum(np.round(gaps / local), 0) if np.isfinite(overall) else np.zeros(n - 1)
    return np.concatenate([[0], np.cumsum(steps)]).astype(np.int64)
