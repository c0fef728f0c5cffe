"""The reliability curve: how often guesses of a stated probability are right."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sigkit.score.bootstrap import RESAMPLES
from sigkit.score.classification import CALIBRATION_BINS
from sigkit.score.estimate import Estimate
from sigkit.score.group_draws import GroupDraws


@dataclass(frozen=True, eq=False)
class ReliabilityCurve:
    """One entry a bin of equal width over 0 to 1, empty bins included (NaN).

    Attributes
    ----------
    edges : ndarray of float64, shape (bins + 1,)
    count : ndarray of int64, shape (bins,)
    mean_probability, share_correct, low, high : ndarray of float64, shape (bins,)
        Low and high bound the share correct, by bootstrap over engines.
    calibration_error : Estimate
        Mean over guesses of the distance between the two in their bin (ECE).
    """

    edges: NDArray[np.float64]
    count: NDArray[np.int64]
    mean_probability: NDArray[np.float64]
    share_correct: NDArray[np.float64]
    low: NDArray[np.float64]
    high: NDArray[np.float64]
    calibration_error: Estimate


def reliability_curve(
    probability: ArrayLike,
    correct: ArrayLike,
    engines: ArrayLike,
    rng: np.random.Generator,
    *,
    bins: int = CALIBRATION_BINS,
    level: float = 0.95,
    resamples: int = RESAMPLES,
) -> ReliabilityCurve:
    """Return the reliability curve of guesses.

    Parameters
    ----------
    probability : array_like of float, shape (n,)
        Probability of each guess, 0 to 1.
    correct : array_like of bool, shape (n,)
    engines : array_like, shape (n,)
    rng : numpy.random.Generator
    bins : int
    level : float
    resamples : int

    Raises
    ------
    ValueError
        When a probability lies outside 0 to 1 or lengths differ.

    Examples
    --------
    >>> curve = reliability_curve([0.9, 0.9, 0.2], [True, False, False], ["a", "a", "b"],
    ...                           np.random.default_rng(0), bins=2)
    >>> curve.count.tolist(), curve.share_correct.tolist(), curve.mean_probability.tolist()
    ([1, 2], [0.0, 0.5], [0.2, 0.9])
    """
    chance, right = np.asarray(probability, dtype=float), np.asarray(correct, dtype=float)
    if chance.ndim != 1 or chance.shape != right.shape:
        raise ValueError(f"{chance.shape} probabilities and {right.shape} outcomes; expected lists of one length")
    if chance.size and not (chance.min() >= 0 and chance.max() <= 1):
        raise ValueError("a probability lies outside 0 to 1")
    number = np.minimum((chance * bins).astype(int), bins - 1)
    columns = np.zeros((chance.size, 3 * bins))
    each = np.arange(chance.size)
    columns[each, number] = 1
    columns[each, bins + number] = chance
    columns[each, 2 * bins + number] = right

    def formula(sums: NDArray) -> NDArray:
        count, stated, correct = (sums[..., part * bins : (part + 1) * bins] for part in range(3))
        error = np.abs(correct - stated).sum(axis=-1) / count.sum(axis=-1)
        return np.concatenate([correct / count, stated / count, error[..., None]], axis=-1)

    found = GroupDraws.draw(engines, rng, level, resamples).many_of_sums(columns, formula)
    share, stated = found[:bins], found[bins : 2 * bins]
    return ReliabilityCurve(
        np.linspace(0, 1, bins + 1),
        np.bincount(number, minlength=bins),
        np.array([one.value for one in stated]),
        np.array([one.value for one in share]),
        np.array([one.low for one in share]),
        np.array([one.high for one in share]),
        found[-1],
    )
