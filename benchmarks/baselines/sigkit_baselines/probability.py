"""From scores to probabilities and sets, the same for all classifiers here."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sigkit.contracts.classifier import Judgement

#: Probability a set collects (our choice).
COVERAGE = 0.9


def split_engines(engines: NDArray, share: float = 0.2) -> NDArray[np.bool_]:
    """Return which rows are kept for the temperature: a share of the engines, drawn once; none of fewer than 5."""
    names = np.unique(engines)
    if names.size < 5:
        return np.zeros(engines.size, dtype=bool)
    held = np.random.default_rng(0).permutation(names)[: max(1, round(share * names.size))]
    return np.isin(engines, held)


def softmax(score: NDArray) -> NDArray[np.float64]:
    """Return rows of probabilities."""
    odds = np.exp(score - score.max(axis=1, keepdims=True))
    return odds / odds.sum(axis=1, keepdims=True)


def fit_sharpness(score: NDArray, labels: NDArray, classes: tuple[str, ...]) -> float:
    """Return the factor on the scores that gives the least log loss; 1 without labelled rows."""
    from scipy.optimize import minimize_scalar

    code = np.array([classes.index(name) if name in classes else -1 for name in labels], dtype=int)
    score, code = score[code >= 0], code[code >= 0]
    if code.size == 0:
        return 1.0

    def loss(log_factor: float) -> float:
        probability = softmax(np.exp(log_factor) * score)
        return float(-np.log(np.maximum(probability[np.arange(code.size), code], 1e-12)).mean())

    return float(np.exp(minimize_scalar(loss, bounds=(-6.0, 6.0), method="bounded").x))


def judgement(probability: NDArray, classes: tuple[str, ...]) -> Judgement:
    """Return best guess and sets of probabilities, shape (n, k)."""
    order = np.argsort(-probability, axis=1, kind="stable")
    ranked = np.take_along_axis(probability, order, axis=1)
    inside = np.cumsum(ranked, axis=1) - ranked < COVERAGE
    names = np.array(classes, dtype=object)
    sets = ["|".join(names[row[keep]]) for row, keep in zip(order, inside, strict=True)]
    return Judgement(
        classes, probability, names[order[:, 0]] if order.size else np.zeros(0, dtype=object),
        np.array(sets, dtype=object), COVERAGE,
    )  # fmt: skip
