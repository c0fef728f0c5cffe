"""Percentile intervals by bootstrap over groups: whole engines are drawn, never single firings."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

#: Resamples of an interval (our choice: the ends of a 95 % interval settle to about 2 % of its width).
RESAMPLES = 1000


def bootstrap_interval(
    statistic: Callable[..., float],
    columns: Sequence[ArrayLike],
    groups: ArrayLike,
    rng: np.random.Generator,
    level: float = 0.95,
    resamples: int = RESAMPLES,
) -> tuple[float, float]:
    """Return the percentile interval of a statistic, drawing whole groups with replacement.

    A paired comparison is a statistic of two columns of one table: both are drawn together.

    Parameters
    ----------
    statistic : callable
        Takes the columns, returns a number; NaN where it is undefined (such resamples are left out).
    columns : sequence of array_like, each of shape (n,)
    groups : array_like, shape (n,)
        Group (engine) of each row.
    rng : numpy.random.Generator
    level : float
        Probability inside, between 0 and 1.
    resamples : int

    Returns
    -------
    low, high : float
        NaN for fewer than two groups: one group tells nothing of the spread between groups.

    Examples
    --------
    >>> low, high = bootstrap_interval(np.mean, [[1.0, 1.0, 5.0]], ["a", "a", "b"], np.random.default_rng(0))
    >>> low, high
    (1.0, 5.0)
    """
    arrays = [np.asarray(column) for column in columns]
    members = _rows_by_group(np.asarray(groups), arrays)

    def of_groups(chosen: NDArray) -> float:
        rows = np.concatenate([members[number] for number in chosen])
        return float(statistic(*(array[rows] for array in arrays)))

    return _percentiles(of_groups, len(members), rng, level, resamples)


def bootstrap_share(
    hits: ArrayLike,
    counted: ArrayLike,
    groups: ArrayLike,
    rng: np.random.Generator,
    level: float = 0.95,
    resamples: int = RESAMPLES,
) -> tuple[float, float]:
    """Return the percentile interval of the share ``sum(hits) / sum(counted)``, drawing whole groups.

    The same as `bootstrap_interval` with that statistic, from the sums of each group.

    Parameters
    ----------
    hits, counted : array_like of float or bool, shape (n,)
        Numerator and denominator of each row.
    groups : array_like, shape (n,)
    rng : numpy.random.Generator
    level : float
    resamples : int

    Returns
    -------
    low, high : float
        NaN for fewer than two groups.
    """
    numerator, denominator = np.asarray(hits, dtype=float), np.asarray(counted, dtype=float)
    names, number = np.unique(np.asarray(groups), return_inverse=True)
    if number.shape != numerator.shape or number.shape != denominator.shape:
        raise ValueError("hits, counted and groups must be of one length")
    sums = (np.bincount(number, numerator, names.size), np.bincount(number, denominator, names.size))

    def share(drawn: NDArray) -> float:
        below = sums[1][drawn].sum()
        return float(sums[0][drawn].sum() / below) if below else np.nan

    return _percentiles(share, names.size, rng, level, resamples)


def _rows_by_group(groups: NDArray, arrays: list[NDArray]) -> list[NDArray]:
    if any(array.shape[:1] != groups.shape for array in arrays):
        raise ValueError("columns and groups must be of one length")
    _, number, counts = np.unique(groups, return_inverse=True, return_counts=True)
    return np.split(np.argsort(number, kind="stable"), np.cumsum(counts)[:-1])


def _percentiles(
    statistic: Callable[[NDArray], float], groups: int, rng: np.random.Generator, level: float, resamples: int
) -> tuple[float, float]:
    # scipy.stats.bootstrap warns and gives NaN as soon as one resample leaves the statistic undefined.
    if groups < 2:
        return np.nan, np.nan
    values = np.array([statistic(rng.integers(groups, size=groups)) for _ in range(resamples)])
    values = values[np.isfinite(values)]
    if not values.size:
        return np.nan, np.nan
    low, high = np.quantile(values, [(1 - level) / 2, (1 + level) / 2])
    return float(low), float(high)
