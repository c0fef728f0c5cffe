"""Timing errors in named statistics; an event that could be timed and was not counts as a failure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

#: Statistic -> what is computed, for the foot of a table.
STATISTICS = {
    "measurable": "events that could be timed",
    "answered_share": "share of the measurable events that were timed",
    "bias": "mean of the signed errors (answer minus truth) of the answered events",
    "median_error": "median of the signed errors of the answered events",
    "standard_deviation": "standard deviation of those errors about their mean, n - 1 in the denominator",
    "median_absolute": "median of the absolute errors of the answered events",
    "p95_absolute": "95 % quantile of the absolute errors of the answered events, linear interpolation",
    "p99_absolute": "99 % quantile of the absolute errors of the answered events, linear interpolation",
    "within": "share of the measurable events answered with an absolute error at or below the limit",
}


@dataclass(frozen=True)
class TimingErrors:
    """Statistics of timing errors, in the unit of the errors; see `STATISTICS`. NaN where undefined."""

    measurable: int
    answered_share: float
    bias: float
    median_error: float
    standard_deviation: float
    median_absolute: float
    p95_absolute: float
    p99_absolute: float
    within: dict[float, float]


def timing_errors(error: ArrayLike, limits: Sequence[float] = ()) -> TimingErrors:
    """Return the statistics of timing errors.

    Parameters
    ----------
    error : array_like of float, shape (n,)
        Answer minus truth of every measurable event, in any one unit; NaN where nothing was answered.
    limits : sequence of float
        Limits on the absolute error for ``within``, inclusive, in the same unit.

    Returns
    -------
    TimingErrors

    Raises
    ------
    ValueError
        When the errors are not a list, or one is infinite.

    Examples
    --------
    >>> found = timing_errors([0.5, -0.5, 3.0, float("nan")], limits=[0.5])
    >>> found.bias, found.median_absolute, found.answered_share, found.within
    (1.0, 0.5, 0.75, {0.5: 0.5})
    """
    error = np.asarray(error, dtype=float)
    if error.ndim != 1:
        raise ValueError(f"errors have {error.ndim} dimensions; expected a list")
    if np.isinf(error).any():
        raise ValueError("an error is infinite; give NaN where nothing was answered")
    answered = error[~np.isnan(error)]
    absolute = np.abs(answered)
    some = answered.size > 0
    middle, p95, p99 = np.quantile(absolute, [0.5, 0.95, 0.99]) if some else (np.nan,) * 3
    count = error.size
    return TimingErrors(
        measurable=count,
        answered_share=answered.size / count if count else np.nan,
        bias=float(answered.mean()) if some else np.nan,
        median_error=float(np.median(answered)) if some else np.nan,
        standard_deviation=float(answered.std(ddof=1)) if answered.size > 1 else np.nan,
        median_absolute=float(middle),
        p95_absolute=float(p95),
        p99_absolute=float(p99),
        within={limit: float((absolute <= limit).sum() / count) if count else np.nan for limit in limits},
    )
