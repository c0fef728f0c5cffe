"""Firings that the rhythm of a lead asks for and the record does not show."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sigkit.context.revolution_period import firing_period

#: A gap counts as whole periods when it is this near to them, in periods (our choice).
NEARNESS = 0.25
#: Fewest firings from which a rhythm is read (our choice).
FEWEST = 4


def absent_times(times_s: NDArray, start_s: float, stop_s: float, margin_s: float = 5e-3) -> NDArray[np.float64]:
    """Return the times at which a firing was expected and none was found.

    Parameters
    ----------
    times_s : ndarray, shape (n,)
        Firings of one lead on one record, ascending, seconds.
    start_s, stop_s : float
        Ends of the record.
    margin_s : float
        Nothing is expected this near to the ends.

    Returns
    -------
    ndarray, shape (m,)

    Examples
    --------
    >>> absent_times(np.array([0.1, 0.2, 0.3, 0.5, 0.6]), 0.0, 0.65).round(3).tolist()
    [0.4]
    """
    if times_s.size < FEWEST:
        return np.zeros(0)
    period = firing_period(times_s)
    if not np.isfinite(period):
        return np.zeros(0)
    expected: list[float] = []
    for first, second in zip(times_s[:-1], times_s[1:], strict=True):
        ratio = (second - first) / period
        count = round(ratio)
        if count >= 2 and abs(ratio - count) <= NEARNESS * np.sqrt(count):
            expected += [first + (second - first) * k / count for k in range(1, count)]
    before = times_s[0] - period
    while before > start_s + margin_s + 0.1 * period:
        expected.append(before)
        before -= period
    after = times_s[-1] + period
    while after < stop_s - margin_s - 0.1 * period:
        expected.append(after)
        after += period
    return np.sort(np.asarray(expected, dtype=float))
