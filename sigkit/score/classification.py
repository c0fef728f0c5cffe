"""How good conditions and their probabilities are: macro-F1, confusion, log loss, calibration error."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

#: Bins of the calibration error (our choice).
CALIBRATION_BINS = 15


def macro_f1(truth: ArrayLike, answer: ArrayLike, classes: Sequence[str]) -> float:
    """Return the mean over classes of F1; an answer outside the classes (``"unknown"``) counts as a miss.

    Parameters
    ----------
    truth, answer : array_like of str, shape (n,)
    classes : sequence of str
        The classes averaged over; one that is never true nor answered counts 0.

    Examples
    --------
    >>> round(macro_f1(["a", "a", "b"], ["a", "unknown", "b"], ["a", "b"]), 4)
    0.8333
    """
    from sklearn.metrics import f1_score

    return float(
        f1_score(_text(truth), _text(answer), labels=list(classes), average="macro", zero_division=0.0)
    )


def confusion(
    truth: ArrayLike, answer: ArrayLike, classes: Sequence[str], other: str = "unknown"
) -> NDArray[np.int64]:
    """Return counts by true class (rows) and answer (columns); the last column is ``other``.

    Raises
    ------
    ValueError
        When a truth or an answer is none of the classes (an answer may be ``other``).

    Examples
    --------
    >>> confusion(["a", "b", "b"], ["a", "a", "unknown"], ["a", "b"]).tolist()
    [[1, 0, 0], [1, 0, 1]]
    """
    from sklearn.metrics import confusion_matrix

    truth, answer = _text(truth), _text(answer)
    labels = [*classes, other]
    strange = sorted({*truth.tolist()} - {*classes} | {*answer.tolist()} - {*labels})
    if strange:
        raise ValueError(f"not among the classes: {', '.join(strange)}")
    if not truth.size:
        return np.zeros((len(classes), len(labels)), dtype=np.int64)
    return np.asarray(confusion_matrix(truth, answer, labels=labels)[: len(classes)], dtype=np.int64)


def log_loss(truth: ArrayLike, probability: ArrayLike, classes: Sequence[str]) -> float:
    """Return the mean of minus the natural logarithm of the probability given to the true class.

    Parameters
    ----------
    truth : array_like of str, shape (n,)
    probability : array_like of float, shape (n, k)
        Columns as in ``classes``.
    classes : sequence of str, length k

    Examples
    --------
    >>> round(log_loss(["a", "b"], [[0.5, 0.5], [0.5, 0.5]], ["a", "b"]), 4)
    0.6931
    """
    from sklearn.metrics import log_loss as sklearn_log_loss

    # scikit-learn takes columns in sorted order of the labels, whatever order it is given them in.
    order = np.argsort(classes)
    labels = [classes[place] for place in order]
    return float(sklearn_log_loss(_text(truth), np.asarray(probability)[:, order], labels=labels))


def calibration_error(
    probability: ArrayLike, correct: ArrayLike, bins: int = CALIBRATION_BINS
) -> float:
    """Return the expected calibration error of the best guesses.

    The guesses are sorted by probability into bins of equal width over 0 to 1; the error is the mean over
    guesses of the absolute difference, in their bin, between the share correct and the mean probability
    (Guo et al., On Calibration of Modern Neural Networks, ICML 2017, eq. 3; from memory).

    Parameters
    ----------
    probability : array_like of float, shape (n,)
        Probability of each best guess, 0 to 1.
    correct : array_like of bool, shape (n,)
    bins : int

    Returns
    -------
    float
        0 (calibrated) to 1; NaN without guesses.

    Examples
    --------
    >>> round(calibration_error([0.8] * 5, [True, True, True, True, False]), 6)
    0.0
    """
    # scikit-learn's calibration_curve gives no counts a bin, and the mean needs them.
    probability, correct = np.asarray(probability, dtype=float), np.asarray(correct, dtype=float)
    if not probability.size:
        return np.nan
    if probability.min() < 0 or probability.max() > 1:
        raise ValueError("a probability lies outside 0 to 1")
    number = np.minimum((probability * bins).astype(int), bins - 1)
    gap = np.bincount(number, correct - probability, bins)
    return float(np.abs(gap).sum() / probability.size)


def _text(values: ArrayLike) -> NDArray[np.str_]:
    return np.asarray(values).astype(str)
