"""Are stated intervals honest and narrow: coverage, width, interval score."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sigkit.score.bootstrap import RESAMPLES
from sigkit.score.estimate import Estimate
from sigkit.score.group_draws import GroupDraws


@dataclass(frozen=True)
class IntervalQuality:
    """Quality of stated intervals.

    Attributes
    ----------
    stated_level : float
        Probability the intervals promise.
    count : int
        Intervals given, with a true value to compare with.
    coverage : Estimate
        Share that holds the true value, ends included.
    mean_width, median_width : Estimate
        In the unit of the values.
    interval_score : Estimate
        Mean over intervals of width + 2/a times the distance by which the truth lies outside, a = 1 - stated
        level (Gneiting and Raftery, JASA 2007;102:359-378, eq. 43; from memory). Lower is better.
    by_engine : dict
        Engine -> coverage of that engine alone.
    """

    stated_level: float
    count: int
    coverage: Estimate
    mean_width: Estimate
    median_width: Estimate
    interval_score: Estimate
    by_engine: dict[str, float]


def interval_quality(
    truth: ArrayLike,
    low: ArrayLike,
    high: ArrayLike,
    engines: ArrayLike,
    rng: np.random.Generator,
    *,
    stated_level: float = 0.95,
    level: float = 0.95,
    resamples: int = RESAMPLES,
) -> IntervalQuality:
    """Score stated intervals; rows with a NaN are left out.

    Parameters
    ----------
    truth, low, high : array_like of float, shape (n,)
        Same unit; infinite ends are allowed.
    engines : array_like, shape (n,)
    rng : numpy.random.Generator
    stated_level : float
        Probability the intervals promise, between 0 and 1.
    level : float
        Probability inside the bootstrap intervals of the result.
    resamples : int

    Raises
    ------
    ValueError
        When the lists differ in length or an interval is upside down.

    Examples
    --------
    >>> found = interval_quality([1.0, 5.0], [0.0, 0.0], [2.0, 4.0], ["a", "b"], np.random.default_rng(0),
    ...                          stated_level=0.5)
    >>> found.coverage.value, found.mean_width.value, found.interval_score.value
    (0.5, 3.0, 5.0)
    """
    values = [np.asarray(column, dtype=float) for column in (truth, low, high)]
    groups = np.asarray(engines).astype(str)
    if any(column.shape != groups.shape for column in values):
        raise ValueError("truth, low, high and engines must be of one length")
    if not 0 < stated_level < 1:
        raise ValueError(f"stated_level is {stated_level}; expected a probability between 0 and 1")
    kept = ~np.isnan(values).any(axis=0)
    actual, lower, upper = (column[kept] for column in values)
    if (lower > upper).any():
        row = int(np.flatnonzero(kept)[lower > upper][0])
        raise ValueError(f"interval {row} is upside down: low above high")
    draws = GroupDraws.draw(groups[kept], rng, level, resamples)
    inside = (lower <= actual) & (actual <= upper)
    width = upper - lower
    outside = np.maximum(lower - actual, 0) + np.maximum(actual - upper, 0)
    columns = np.stack([np.ones(width.size), inside, width, width + 2 / (1 - stated_level) * outside], axis=-1)

    def means(sums: NDArray) -> NDArray:
        return sums[..., 1:] / sums[..., :1]

    coverage, mean_width, score = draws.many_of_sums(columns, means)
    (median_width,) = draws.of_quantiles(width, [0.5])
    by_engine = {str(name): float(inside[draws.number == place].mean()) for place, name in enumerate(draws.names)}
    return IntervalQuality(stated_level, width.size, coverage, mean_width, median_width, score, by_engine)
