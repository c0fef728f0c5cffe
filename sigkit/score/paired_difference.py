"""Two algorithms on the same firings: the paired difference by engine, its interval, effect size and test."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from sigkit.score.bootstrap import RESAMPLES, bootstrap_interval
from sigkit.score.estimate import Estimate
from sigkit.score.group_draws import GroupDraws

#: Sign patterns tried by the test beyond which it draws them at random (our choice).
SIGN_PATTERNS = 9999


@dataclass(frozen=True)
class PairedDifference:
    """First minus second; each engine counts once.

    Attributes
    ----------
    engines : int
        Engines on which both have a figure.
    difference : Estimate
        Mean over engines of the engines' differences.
    effect_size : Estimate
        That mean over the standard deviation of the engines' differences (Cohen's d for pairs), times Hedges'
        correction 1 - 3/(4 (engines - 1) - 1) for few engines; infinite when all engines differ alike.
    rank_biserial : Estimate
        Share of the signed-rank sum in favour of the first less that in favour of the second, -1 to 1.
    p_value : float
        Two-sided sign-flip permutation test of the mean over engines; exact where the engines are few.
    higher, equal, lower : int
        Engines on which the first is above, equal to, below the second.
    by_engine : dict
        Engine -> difference.
    """

    engines: int
    difference: Estimate
    effect_size: Estimate
    rank_biserial: Estimate
    p_value: float
    higher: int
    equal: int
    lower: int
    by_engine: dict[str, float]


def paired_difference(
    first: ArrayLike,
    second: ArrayLike,
    engines: ArrayLike,
    rng: np.random.Generator,
    *,
    level: float = 0.95,
    resamples: int = RESAMPLES,
) -> PairedDifference:
    """Compare two algorithms by a figure of each firing (absolute error, hit or miss, log loss) or each engine.

    Parameters
    ----------
    first, second : array_like of float, shape (n,)
        Figures of the two on the same firings, or one an engine; rows with a NaN are left out, so give failures
        a figure of their own.
    engines : array_like, shape (n,)
        Figures of one engine are averaged first.
    rng : numpy.random.Generator
    level : float
        Probability inside the intervals.
    resamples : int

    Raises
    ------
    ValueError
        When lengths differ.

    Examples
    --------
    >>> found = paired_difference([3.0, 5.0, 4.0, 6.0], [1.0, 2.0, 4.0, 2.0], ["a", "a", "b", "c"],
    ...                           np.random.default_rng(0))
    >>> round(found.difference.value, 4), found.by_engine, found.higher
    (2.1667, {'a': 2.5, 'b': 0.0, 'c': 4.0}, 2)
    """
    from scipy.stats import permutation_test, rankdata

    one, other = np.asarray(first, dtype=float), np.asarray(second, dtype=float)
    groups = np.asarray(engines).astype(str)
    if one.ndim != 1 or not one.shape == other.shape == groups.shape:
        raise ValueError("first, second and engines must be lists of one length")
    apart = one - other
    kept = ~np.isnan(apart)
    names, number = np.unique(groups[kept], return_inverse=True)
    mean = np.bincount(number, apart[kept], names.size) / np.bincount(number, minlength=names.size)
    draws = GroupDraws.draw(names, rng, level, resamples)

    def moments(sums):
        count, total, square = (sums[..., place] for place in range(3))
        average = total / count
        # Rounding leaves a spread of some 1e-17 where all engines drawn differ alike.
        spread = np.sqrt(np.maximum(square - total * average, 0) / (count - 1))
        spread = np.where(spread > 1e-9 * np.abs(average), spread, 0.0)
        small = 1 - 3 / (4 * (count - 1) - 1)
        return np.stack([average, small * average / spread], axis=-1)

    difference, effect = draws.many_of_sums(np.stack([np.ones(names.size), mean, mean**2], axis=-1), moments)

    def rank_biserial(differences: np.ndarray) -> np.ndarray:
        ranks = rankdata(np.abs(differences), axis=-1) * (differences != 0)
        return (np.sign(differences) * ranks).sum(axis=-1) / ranks.sum(axis=-1)

    with np.errstate(invalid="ignore"):
        ranked = float(rank_biserial(mean)) if names.size else np.nan
        drawn = [np.repeat(mean, times) for times in draws.times]
        spread_of_ranks = rank_biserial(np.array(drawn)) if drawn else np.zeros(0)
    p_value = np.nan
    if names.size > 1:
        p_value = float(
            permutation_test(
                (mean,), lambda x, axis: np.mean(x, axis=axis), permutation_type="samples", vectorized=True,
                n_resamples=SIGN_PATTERNS, rng=rng,
            ).pvalue
        )  # fmt: skip
    return PairedDifference(
        names.size, difference, effect, Estimate(ranked, *draws.interval(spread_of_ranks)), p_value,
        int((mean > 0).sum()), int((mean == 0).sum()), int((mean < 0).sum()),
        dict(zip(map(str, names), map(float, mean))),
    )  # fmt: skip


def paired_statistic_difference(
    statistic: Callable[..., float],
    first: Sequence[ArrayLike],
    second: Sequence[ArrayLike],
    engines: ArrayLike,
    rng: np.random.Generator,
    *,
    level: float = 0.95,
    resamples: int = RESAMPLES,
) -> Estimate:
    """Compare two algorithms by a statistic that is no mean over firings (macro-F1, a quantile).

    Parameters
    ----------
    statistic : callable
        Takes the columns of one algorithm, returns a number.
    first, second : sequence of array_like, each of shape (n,)
        Columns of the two algorithms, row by row the same firings.
    engines : array_like, shape (n,)
    rng : numpy.random.Generator
    level : float
    resamples : int

    Returns
    -------
    Estimate
        Of the statistic of the first less that of the second, both on the same engines drawn.

    Examples
    --------
    >>> found = paired_statistic_difference(np.median, [[1.0, 2.0, 9.0]], [[0.0, 1.0, 2.0]], ["a", "b", "b"],
    ...                                     np.random.default_rng(0))
    >>> found.value
    1.0
    """
    columns = [*map(np.asarray, first), *map(np.asarray, second)]
    half = len(first)

    def apart(*drawn: np.ndarray) -> float:
        return float(statistic(*drawn[:half])) - float(statistic(*drawn[half:]))

    return Estimate(apart(*columns), *bootstrap_interval(apart, columns, engines, rng, level, resamples))
