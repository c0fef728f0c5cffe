"""Labels that out-of-fold probabilities contradict, ranked."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray


@dataclass(frozen=True, eq=False)
class SuspectedLabels:
    """Labels by how doubtful they are.

    Attributes
    ----------
    order : ndarray of int64, shape (n,)
        Rows, the most doubtful label first: suspected ones before the rest, then by margin.
    suspected : ndarray of bool, shape (n,)
        Another class is confidently likelier than the label given.
    likely : ndarray of str, shape (n,)
        The class confidently predicted; the label given where none is.
    margin : ndarray of float64, shape (n,)
        Probability of the label given less the largest of the others, -1 to 1.
    threshold : dict
        Class -> probability at and above which it counts as confidently predicted; NaN without labels of it.
    confident_joint : ndarray of int64, shape (k, k)
        Label given (rows) by class confidently predicted (columns).
    wrong_share : float
        Estimated share of wrong labels, 0 to 1.
    """

    order: NDArray[np.int64]
    suspected: NDArray[np.bool_]
    likely: NDArray[np.str_]
    margin: NDArray[np.float64]
    threshold: dict[str, float]
    confident_joint: NDArray[np.int64]
    wrong_share: float


def suspected_labels(label: ArrayLike, probability: ArrayLike, classes: Sequence[str]) -> SuspectedLabels:
    """Rank labels by confident learning (Northcutt, Jiang and Chuang, JAIR 2021;70:1373-1411).

    A class is confidently predicted where its probability reaches the mean probability it has on its own
    labels. Own code: the library of that paper's authors is under the AGPL.

    Parameters
    ----------
    label : array_like of str, shape (n,)
    probability : array_like of float, shape (n, k)
        By a model that saw no firing of the same engine (out of fold by engine); columns as in ``classes``.
    classes : sequence of str, length k, 2 or more

    Raises
    ------
    ValueError
        When shapes do not fit, a label is none of the classes, or a probability is missing.

    Examples
    --------
    >>> found = suspected_labels(["a", "a", "b", "b"], [[.9, .1], [.1, .9], [.2, .8], [.1, .9]], ["a", "b"])
    >>> int(found.order[0]), found.suspected.tolist(), str(found.likely[1])
    (1, [False, True, False, False], 'b')
    """
    given, chances = np.asarray(label).astype(str), np.asarray(probability, dtype=float)
    names = np.asarray(classes, dtype=str)
    if names.size < 2 or chances.shape != (given.size, names.size):
        expected = (given.size, names.size)
        raise ValueError(f"probability has shape {chances.shape}; expected {expected} and two classes or more")
    if np.isnan(chances).any():
        raise ValueError(f"row {int(np.argwhere(np.isnan(chances))[0, 0])} has no probability")
    same = given[:, None] == names
    if not same.any(axis=1).all():
        raise ValueError(f"not among the classes: {given[~same.any(axis=1)][0]}")
    place = same.argmax(axis=1)
    each = np.arange(given.size)
    own = chances[each, place]
    count = np.bincount(place, minlength=names.size)
    with np.errstate(invalid="ignore", divide="ignore"):
        threshold = np.bincount(place, own, names.size) / count
    # A mean rounds: a probability equal to its own mean must reach it.
    confident = chances >= np.where(count > 0, threshold, np.inf) - 1e-12
    some = confident.any(axis=1)
    predicted = np.where(some, np.where(confident, chances, -1.0).argmax(axis=1), place)
    joint = np.zeros((names.size, names.size), dtype=np.int64)
    np.add.at(joint, (place[some], predicted[some]), 1)
    # Rows are scaled to the labels given, as the paper does, before the off-diagonal share is taken.
    rows = joint.sum(axis=1)
    wrong = count * (1 - np.divide(np.diag(joint), rows, out=np.ones(names.size), where=rows > 0))
    rest = chances.copy()
    rest[each, place] = -np.inf
    margin = own - rest.max(axis=1)
    suspected = predicted != place
    return SuspectedLabels(
        np.lexsort((margin, ~suspected)), suspected, names[predicted], margin,
        dict(zip(map(str, names), map(float, threshold))), joint,
        float(wrong.sum() / given.size) if given.size else np.nan,
    )  # fmt: skip
