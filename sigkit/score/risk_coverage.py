"""The risk-coverage curve: the error among the answers one is surest of, and the area below."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sigkit.score.bootstrap import RESAMPLES
from sigkit.score.estimate import Estimate
from sigkit.score.group_draws import GroupDraws


@dataclass(frozen=True, eq=False)
class RiskCoverage:
    """The curve and its area.

    Attributes
    ----------
    coverage : ndarray of float64, shape (steps,)
        Share answered when only guesses at or above each confidence are, rising to 1.
    risk : ndarray of float64, shape (steps,)
        Mean loss among those answered.
    confidence : ndarray of float64, shape (steps,)
        The confidences, falling.
    area : Estimate
        Mean risk over all numbers answered, one by one, the surest first; guesses of equal confidence stand in
        the mean of their orders. 0 is best.
    excess_area : Estimate
        Area less that of the best possible order of the same losses.
    """

    coverage: NDArray[np.float64]
    risk: NDArray[np.float64]
    confidence: NDArray[np.float64]
    area: Estimate
    excess_area: Estimate


def risk_coverage(
    confidence: ArrayLike,
    loss: ArrayLike,
    engines: ArrayLike,
    rng: np.random.Generator,
    *,
    level: float = 0.95,
    resamples: int = RESAMPLES,
) -> RiskCoverage:
    """Return the risk-coverage curve (Geifman and El-Yaniv, 2017, from memory).

    Parameters
    ----------
    confidence : array_like of float, shape (n,)
        The higher, the surer.
    loss : array_like of float or bool, shape (n,)
        Loss of each guess: 1 for a wrong one, 0 for a right one, or any number of 0 or more.
    engines : array_like, shape (n,)
    rng : numpy.random.Generator
    level : float
    resamples : int

    Raises
    ------
    ValueError
        When lengths differ or a number is missing.

    Examples
    --------
    >>> found = risk_coverage([0.9, 0.8, 0.7], [0, 0, 1], ["a", "a", "b"], np.random.default_rng(0))
    >>> found.coverage.tolist()[-1], round(found.area.value, 4), found.excess_area.value
    (1.0, 0.1111, 0.0)
    """
    sure, lost = np.asarray(confidence, dtype=float), np.asarray(loss, dtype=float)
    if sure.ndim != 1 or sure.shape != lost.shape:
        raise ValueError(f"{sure.shape} confidences and {lost.shape} losses; expected lists of one length")
    if np.isnan(sure).any() or np.isnan(lost).any():
        raise ValueError("a confidence or a loss is missing")
    draws = GroupDraws.draw(engines, rng, level, resamples)
    ends, order = _blocks(-sure)
    best_ends, best_order = _blocks(lost)
    every = np.ones(sure.size)
    area = _area(every, lost, order, ends)
    excess = area - _area(every, lost, best_order, best_ends)
    drawn = np.full((len(draws.times), 2), np.nan)
    # One resample at a time: the whole table of resamples by rows would not fit into memory.
    for row, times in enumerate(draws.times):
        weight = times[draws.number].astype(float)
        drawn[row, 0] = _area(weight, lost, order, ends)
        drawn[row, 1] = drawn[row, 0] - _area(weight, lost, best_order, best_ends)
    answered = ends + 1.0
    return RiskCoverage(
        answered / max(sure.size, 1),
        np.cumsum(lost[order])[ends] / answered,
        sure[order][ends],
        Estimate(area, *draws.interval(drawn[:, 0])),
        Estimate(excess, *draws.interval(drawn[:, 1])),
    )


def _blocks(key: NDArray) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return the last place of each block of equal keys, and the order that sorts by key."""
    order = np.argsort(key, kind="stable")
    ordered = key[order]
    return np.flatnonzero(np.r_[ordered[1:] != ordered[:-1], np.ones(min(key.size, 1), dtype=bool)]), order


def _area(weight: NDArray, loss: NDArray, order: NDArray, ends: NDArray) -> float:
    """Return the mean over 1 ... n answered of the mean loss; within a block of equal keys losses are shared."""
    count = np.cumsum(weight[order])[ends]
    total = np.cumsum((weight * loss)[order])[ends]
    if not count.size or not count[-1]:
        return np.nan
    before, begun = np.r_[0.0, count[:-1]], np.r_[0.0, total[:-1]]
    held = count - before
    slope = np.divide(total - begun, held, out=np.zeros_like(held), where=held > 0)
    # Answering k guesses, b < k <= c, of a block that starts after b guesses with loss L and adds s a guess
    # costs (L + s (k - b)) / k = s + (L - s b) / k: the sum over k needs harmonic numbers only.
    harmonic = np.r_[0.0, np.cumsum(1.0 / np.arange(1, int(count[-1]) + 1))]
    inverse = harmonic[count.astype(int)] - harmonic[before.astype(int)]
    return float((slope * held + (begun - slope * before) * inverse).sum() / count[-1])
