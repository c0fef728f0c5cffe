"""Errors of measured values with intervals over engines: bias, spread, quantiles, shares within limits."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sigkit.score.bootstrap import RESAMPLES
from sigkit.score.estimate import Estimate
from sigkit.score.group_draws import GroupDraws
from sigkit.score.timing import TimingErrors, timing_errors

#: Quantiles of the signed errors that are given (our choice).
QUANTILES = (0.025, 0.05, 0.25, 0.5, 0.75, 0.95, 0.975)

#: Limits on the error of a burn time, s: 10, 25, 50 and 100 us (the benchmark's rows; our choice).
BURN_TIME_LIMITS_S = (10e-6, 25e-6, 50e-6, 100e-6)


@dataclass(frozen=True)
class ErrorSummary:
    """Statistics of errors (answer minus label), in the unit of the errors; NaN where undefined.

    Attributes
    ----------
    measurable : int
        Events that could be measured.
    answered : int
        Those that were.
    answered_share : Estimate
        An unanswered measurable event is a failure.
    bias, standard_deviation, root_mean_square : Estimate
        Of the signed errors of the answered events; the standard deviation has n - 1 in the denominator.
    median_error, median_absolute, p95_absolute, p99_absolute : Estimate
        Of the answered events.
    quantiles : dict
        Probability -> quantile of the signed errors of the answered events.
    within : dict
        Limit -> share of the *measurable* events answered with an absolute error at or below it.
    by_engine : dict
        Engine -> the plain statistics of that engine alone.
    """

    measurable: int
    answered: int
    answered_share: Estimate
    bias: Estimate
    standard_deviation: Estimate
    root_mean_square: Estimate
    median_error: Estimate
    median_absolute: Estimate
    p95_absolute: Estimate
    p99_absolute: Estimate
    quantiles: dict[float, Estimate]
    within: dict[float, Estimate]
    by_engine: dict[str, TimingErrors]


def error_summary(
    error: ArrayLike,
    engines: ArrayLike,
    rng: np.random.Generator,
    limits: Sequence[float] = (),
    *,
    quantiles: Sequence[float] = QUANTILES,
    level: float = 0.95,
    resamples: int = RESAMPLES,
) -> ErrorSummary:
    """Return the statistics of errors with bootstrap intervals over engines.

    Parameters
    ----------
    error : array_like of float, shape (n,)
        Answer minus label of every measurable event, in any one unit; NaN where nothing was answered.
    engines : array_like, shape (n,)
    rng : numpy.random.Generator
    limits : sequence of float
        Limits on the absolute error for ``within``, inclusive, same unit; `BURN_TIME_LIMITS_S` for burn times.
    quantiles : sequence of float
        Probabilities of the quantiles, 0 to 1.
    level : float
        Probability inside the intervals.
    resamples : int

    Raises
    ------
    ValueError
        When the errors are no list, one is infinite, or there is not one engine an error.

    Examples
    --------
    >>> found = error_summary([1.0, 3.0, np.nan, -1.0], ["a", "a", "b", "b"], np.random.default_rng(0), [1.0])
    >>> found.bias.value, found.answered_share.value, found.within[1.0].value
    (1.0, 0.75, 0.5)
    """
    whole = timing_errors(error, limits)
    error = np.asarray(error, dtype=float)
    draws = GroupDraws.draw(engines, rng, level, resamples)
    answered = ~np.isnan(error)
    # About the mean, so that squares of nearly equal numbers are not subtracted.
    centre = whole.bias if answered.any() else 0.0
    away = np.where(answered, error - centre, 0.0)
    within = [answered & (np.abs(np.where(answered, error, 0.0)) <= limit) for limit in limits]
    columns = np.stack([np.ones(error.size), answered, away, away**2, *within], axis=-1)

    def formula(sums: NDArray) -> NDArray:
        everything, count, first, second = (sums[..., place] for place in range(4))
        mean = first / count
        spread = np.where(count > 1, (second - first * mean) / (count - 1), np.nan)
        square = second / count + 2 * centre * mean + centre**2
        shares = [sums[..., place] / everything for place in range(4, sums.shape[-1])]
        roots = [np.sqrt(np.maximum(spread, 0)), np.sqrt(np.maximum(square, 0))]
        return np.stack([count / everything, mean + centre, *roots, *shares], axis=-1)

    share, bias, deviation, root_mean_square, *shares = draws.many_of_sums(columns, formula)
    signed = draws.of_quantiles(error, [0.5, *quantiles])
    absolute = draws.of_quantiles(np.abs(error), [0.5, 0.95, 0.99])
    by_engine = {
        str(name): timing_errors(error[draws.number == place], limits) for place, name in enumerate(draws.names)
    }
    median_absolute, p95, p99 = absolute
    return ErrorSummary(
        int(error.size), int(answered.sum()), share, bias, deviation, root_mean_square, signed[0], median_absolute,
        p95, p99, dict(zip(map(float, quantiles), signed[1:])), dict(zip(map(float, limits), shares)), by_engine,
    )  # fmt: skip
