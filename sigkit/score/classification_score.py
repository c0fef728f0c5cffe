"""Conditions scored as a whole: F1, balanced accuracy, log loss, calibration and confusion, with intervals."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sigkit.score.bootstrap import RESAMPLES
from sigkit.score.classification import CALIBRATION_BINS, confusion
from sigkit.score.estimate import Estimate
from sigkit.score.group_draws import GroupDraws

#: A probability of zero for the true class counts as this (scikit-learn's clip: the float64 resolution).
LEAST_PROBABILITY = float(np.finfo(np.float64).eps)


@dataclass(frozen=True, eq=False)
class ClassificationScore:
    """How good answers and probabilities are; every `Estimate` has its interval over engines.

    Attributes
    ----------
    classes : tuple of str
    count : int
        Firings judged.
    answered_share, accuracy : Estimate
        Share answered with a class; share answered rightly (of all: an abstention is a failure).
    macro_f1, balanced_accuracy : Estimate
        Mean over classes of F1 and of recall; classes that are never true count in neither.
    log_loss, brier_score, calibration_error : Estimate
        Of the probabilities; NaN without them. The Brier score is the sum over classes (0 to 2); the
        calibration error (ECE) is that of the best guesses in bins of equal width.
    confusion : ndarray of int64, shape (k, k + 1)
        True class by answer; the last column counts ``other``.
    precision, recall, f1 : dict
        Class -> estimate.
    support : dict
        Class -> firings truly of it.
    by_engine : dict
        Engine -> count, accuracy, macro_f1, balanced_accuracy, log_loss of that engine alone (classes that
        engine never shows are left out of its means).
    """

    classes: tuple[str, ...]
    count: int
    answered_share: Estimate
    accuracy: Estimate
    macro_f1: Estimate
    balanced_accuracy: Estimate
    log_loss: Estimate
    brier_score: Estimate
    calibration_error: Estimate
    confusion: NDArray[np.int64]
    precision: dict[str, Estimate]
    recall: dict[str, Estimate]
    f1: dict[str, Estimate]
    support: dict[str, int]
    by_engine: dict[str, dict[str, float]]


def score_classification(
    truth: ArrayLike,
    answer: ArrayLike,
    classes: Sequence[str],
    engines: ArrayLike,
    rng: np.random.Generator,
    *,
    probability: ArrayLike | None = None,
    other: str = "unknown",
    bins: int = CALIBRATION_BINS,
    level: float = 0.95,
    resamples: int = RESAMPLES,
) -> ClassificationScore:
    """Score answers, and probabilities where there are any.

    Parameters
    ----------
    truth, answer : array_like of str, shape (n,)
        True classes; answers, ``other`` for an abstention.
    classes : sequence of str, length k
    engines : array_like, shape (n,)
    rng : numpy.random.Generator
    probability : array_like of float, shape (n, k), optional
        Columns as in ``classes``; rows sum to 1.
    other : str
        Answer that is none of the classes.
    bins : int
        Bins of the calibration error.
    level : float
        Probability inside the intervals.
    resamples : int

    Raises
    ------
    ValueError
        When a truth or answer is none of the classes, lengths differ, or rows of probability do not sum to 1.

    Examples
    --------
    >>> found = score_classification(["a", "a", "b", "b"], ["a", "b", "b", "unknown"], ["a", "b"],
    ...                              ["x", "x", "y", "y"], np.random.default_rng(0))
    >>> found.accuracy.value, round(found.macro_f1.value, 4), found.balanced_accuracy.value
    (0.5, 0.5833, 0.5)
    """
    classes = tuple(classes)
    true, said = np.asarray(truth).astype(str), np.asarray(answer).astype(str)
    groups = np.asarray(engines).astype(str)
    if not true.shape == said.shape == groups.shape or true.ndim != 1:
        raise ValueError("truth, answer and engines must be lists of one length")
    table = confusion(true, said, classes, other)
    draws = GroupDraws.draw(groups, rng, level, resamples)
    size = len(classes)
    row = _places(true, classes)
    column = np.where(said == other, size, _places(said, classes))
    by_group = np.zeros((draws.names.size, size * (size + 1)))
    np.add.at(by_group, (draws.number, row * (size + 1) + column), 1)

    def rates(sums: NDArray) -> NDArray:
        return _rates(sums.reshape(*sums.shape[:-1], size, size + 1))

    figures = draws.of_group_sums(by_group, rates)
    chances = _probability_columns(probability, true, row, size, bins)
    if chances is None:
        log_loss = brier = calibration = Estimate(np.nan)
        losses = np.full(draws.names.size, np.nan)
    else:
        log_loss, brier, calibration = draws.many_of_sums(chances, _probability_rates)
        sums = draws.sums(chances[:, :2])
        losses = sums[:, 1] / sums[:, 0]
    with np.errstate(divide="ignore", invalid="ignore"):
        alone = rates(by_group)
    names = ("accuracy", "macro_f1", "balanced_accuracy")
    by_engine = {
        str(name): {"count": int(total), **dict(zip(names, map(float, rate[1:4]))), "log_loss": float(loss)}
        for name, total, rate, loss in zip(draws.names, by_group.sum(axis=1), alone, losses)
    }
    precision, recall, f1 = (
        dict(zip(classes, figures[4 + part * size : 4 + (part + 1) * size])) for part in range(3)
    )
    share, accuracy, macro_f1, balanced = figures[:4]
    return ClassificationScore(
        classes, true.size, share, accuracy, macro_f1, balanced, log_loss, brier, calibration, table, precision,
        recall, f1, dict(zip(classes, map(int, table.sum(axis=1)))), by_engine,
    )  # fmt: skip


def _places(names: NDArray, classes: Sequence[str]) -> NDArray[np.int64]:
    """Return each name's place among the classes; 0 for a name that is none of them."""
    order = np.argsort(classes)
    place = np.searchsorted(np.asarray(classes, dtype=str)[order], names)
    return order[np.minimum(place, len(classes) - 1)]


def _rates(table: NDArray) -> NDArray:
    """Return answered share, accuracy, macro-F1, balanced accuracy, then precision, recall and F1 a class.

    scikit-learn takes rows of one sample; here the formulas run over all resamples at once.
    """
    size = table.shape[-2]
    total, support = table.sum(axis=(-1, -2)), table.sum(axis=-1)
    hits = np.diagonal(table[..., :size], axis1=-2, axis2=-1)
    answered = table[..., :size].sum(axis=-2)
    true = support > 0
    recall = hits / support
    precision = hits / answered
    f1 = 2 * hits / (support + answered)
    shown = true.sum(axis=-1)
    mean_f1 = np.where(true, f1, 0.0).sum(axis=-1) / shown
    mean_recall = np.where(true, recall, 0.0).sum(axis=-1) / shown
    whole = [answered.sum(axis=-1) / total, hits.sum(axis=-1) / total, mean_f1, mean_recall]
    return np.concatenate([np.stack(whole, axis=-1), precision, recall, f1], axis=-1)


def _probability_columns(
    probability: ArrayLike | None, truth: NDArray, row: NDArray, size: int, bins: int
) -> NDArray[np.float64] | None:
    """Return one row a firing: 1, log loss, Brier score, and right minus probability in the bin of the guess."""
    if probability is None:
        return None
    table = np.asarray(probability, dtype=float)
    if table.shape != (truth.size, size):
        raise ValueError(f"probability has shape {table.shape}; expected {(truth.size, size)}")
    if not np.allclose(table.sum(axis=1), 1, atol=1e-6) or (table < 0).any():
        raise ValueError("a row of probability does not sum to 1, or one is below 0")
    each = np.arange(truth.size)
    guess = table.argmax(axis=1)
    chance = np.minimum(table[each, guess], 1.0)
    wanted = np.zeros_like(table)
    wanted[each, row] = 1
    columns = np.zeros((truth.size, 3 + bins))
    columns[:, 0] = 1
    columns[:, 1] = -np.log(np.maximum(table[each, row], LEAST_PROBABILITY))
    columns[:, 2] = ((table - wanted) ** 2).sum(axis=1)
    columns[each, 3 + np.minimum((chance * bins).astype(int), bins - 1)] = (guess == row) - chance
    return columns


def _probability_rates(sums: NDArray) -> NDArray:
    count = sums[..., 0]
    calibration = np.abs(sums[..., 3:]).sum(axis=-1) / count
    return np.stack([sums[..., 1] / count, sums[..., 2] / count, calibration], axis=-1)
