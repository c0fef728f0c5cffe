"""Several algorithms on the same engines: average ranks, Friedman's test and the critical difference."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from sigkit.score.bootstrap import RESAMPLES
from sigkit.score.estimate import Estimate
from sigkit.score.group_draws import GroupDraws


@dataclass(frozen=True)
class AverageRanks:
    """Average ranks, 1 = best.

    Attributes
    ----------
    blocks : int
        Engines (or tasks) on which all algorithms were ranked.
    rank : dict
        Algorithm -> average rank with its bootstrap interval over blocks, best first.
    friedman_statistic, friedman_p : float
        Chi-square statistic with k - 1 degrees of freedom, corrected for ties; NaN for fewer than three
        algorithms.
    iman_davenport_statistic, iman_davenport_p : float
        The less conservative F form of it.
    critical_difference : float
        Two average ranks further apart differ at ``alpha`` (Nemenyi).
    alpha : float
    alike : tuple of tuple of str
        Largest runs of algorithms whose average ranks lie within the critical difference.
    """

    blocks: int
    rank: dict[str, Estimate]
    friedman_statistic: float
    friedman_p: float
    iman_davenport_statistic: float
    iman_davenport_p: float
    critical_difference: float
    alpha: float
    alike: tuple[tuple[str, ...], ...]


def average_ranks(
    score: ArrayLike,
    algorithms: Sequence[str],
    rng: np.random.Generator,
    *,
    higher_is_better: bool = True,
    alpha: float = 0.05,
    level: float = 0.95,
    resamples: int = RESAMPLES,
) -> AverageRanks:
    """Rank algorithms within each block and compare the average ranks (Demsar, JMLR 2006;7:1-30).

    Parameters
    ----------
    score : array_like of float, shape (blocks, algorithms)
        One figure an engine (or task) and algorithm, no NaN.
    algorithms : sequence of str
    rng : numpy.random.Generator
    higher_is_better : bool
        False for errors.
    alpha : float
        Level of the critical difference, between 0 and 1.
    level : float
        Probability inside the bootstrap intervals.
    resamples : int

    Raises
    ------
    ValueError
        When the shape does not fit, a figure is missing, or there are fewer than two algorithms or blocks.

    Examples
    --------
    >>> found = average_ranks([[0.9, 0.8, 0.7], [0.8, 0.9, 0.7], [0.9, 0.8, 0.6]], ["x", "y", "z"],
    ...                       np.random.default_rng(0))
    >>> [(name, round(rank.value, 3)) for name, rank in found.rank.items()]
    [('x', 1.333), ('y', 1.667), ('z', 3.0)]
    >>> round(found.critical_difference, 3), found.alike
    (1.914, (('x', 'y', 'z'),))
    """
    from scipy.stats import f, friedmanchisquare, rankdata, studentized_range

    table = np.asarray(score, dtype=float)
    size = len(algorithms)
    if table.ndim != 2 or table.shape[1] != size:
        raise ValueError(f"score has shape {table.shape}; expected one row a block and {size} columns")
    blocks = table.shape[0]
    if size < 2 or blocks < 2:
        raise ValueError(f"{size} algorithms on {blocks} blocks; expected at least two of each")
    if np.isnan(table).any():
        row, column = np.argwhere(np.isnan(table))[0]
        raise ValueError(f"block {row} has no figure for {algorithms[column]}; give failures a figure of their own")
    ranks = rankdata(-table if higher_is_better else table, axis=1)
    draws = GroupDraws.draw(np.arange(blocks), rng, level, resamples)
    columns = np.concatenate([np.ones((blocks, 1)), ranks], axis=1)
    found = draws.many_of_sums(columns, lambda sums: sums[..., 1:] / sums[..., :1])
    order = np.argsort([estimate.value for estimate in found], kind="stable")
    statistic = chance = ratio = ratio_chance = np.nan
    if size > 2 and (ranks != ranks[:, :1]).any():
        statistic, chance = map(float, friedmanchisquare(*table.T))
        room = blocks * (size - 1) - statistic
        ratio = (blocks - 1) * statistic / room if room > 1e-9 else np.inf
        ratio_chance = float(f.sf(ratio, size - 1, (size - 1) * (blocks - 1)))
    # The studentised range over sqrt(2), infinite degrees of freedom, as in Nemenyi's test.
    quantile = float(studentized_range.ppf(1 - alpha, size, np.inf)) / np.sqrt(2)
    critical = quantile * np.sqrt(size * (size + 1) / (6 * blocks))
    rank = {algorithms[place]: found[place] for place in order}
    return AverageRanks(
        blocks, rank, statistic, chance, float(ratio), ratio_chance, float(critical), alpha, _alike(rank, critical)
    )


def _alike(rank: dict[str, Estimate], critical: float) -> tuple[tuple[str, ...], ...]:
    names, values = list(rank), [estimate.value for estimate in rank.values()]
    runs, reached = [], 0
    for start, value in enumerate(values):
        stop = start + sum(other - value <= critical for other in values[start:])
        if stop > reached:
            runs.append(tuple(names[start:stop]))
            reached = stop
    return tuple(runs)
