"""Cohen's and Fleiss's kappa with bootstrap intervals over engines."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sigkit.score.bootstrap import RESAMPLES
from sigkit.score.estimate import Estimate
from sigkit.score.group_draws import GroupDraws


def cohen_kappa(
    first: ArrayLike,
    second: ArrayLike,
    engines: ArrayLike,
    rng: np.random.Generator,
    *,
    classes: Sequence[str] | None = None,
    weights: Literal["none", "linear", "quadratic"] = "none",
    level: float = 0.95,
    resamples: int = RESAMPLES,
) -> Estimate:
    """Return Cohen's kappa of two readers (Educ. Psychol. Meas. 1960;20:37-46).

    Own formula: scikit-learn's takes one table, the interval needs all resamples. Tests hold the two together.

    Parameters
    ----------
    first, second : array_like of str, shape (n,)
        Classes the two gave to the same events.
    engines : array_like, shape (n,)
    rng : numpy.random.Generator
    classes : sequence of str, optional
        All classes, in order where weights are used; those that occur, sorted, otherwise.
    weights : {"none", "linear", "quadratic"}
        How disagreement grows with the distance of the classes in their order.
    level : float
    resamples : int

    Raises
    ------
    ValueError
        When lengths differ, a class is unknown or the weights are none of those.

    Examples
    --------
    >>> round(cohen_kappa(["a", "a", "b", "b"], ["a", "b", "b", "b"], ["x", "x", "y", "y"],
    ...                   np.random.default_rng(0)).value, 3)
    0.5
    """
    one, other = np.asarray(first).astype(str), np.asarray(second).astype(str)
    if one.ndim != 1 or one.shape != other.shape:
        raise ValueError(f"{one.shape} first and {other.shape} second classes; expected lists of one length")
    known = np.asarray(np.unique(np.r_[one, other]) if classes is None else classes, dtype=str)
    size = known.size
    is_one, is_other = one[:, None] == known, other[:, None] == known
    if not (is_one.any(axis=1) & is_other.any(axis=1)).all():
        raise ValueError(f"not among the classes: {', '.join(np.setdiff1d(np.r_[one, other], known))}")
    step = np.abs(np.arange(size)[:, None] - np.arange(size)).astype(float)
    costs = {"none": (step > 0).astype(float), "linear": step, "quadratic": step**2}
    if weights not in costs:
        raise ValueError(f"weights is {weights}; expected none, linear or quadratic")
    cost = costs[weights]
    columns = np.zeros((one.size, size * size))
    if size:
        columns[np.arange(one.size), is_one.argmax(axis=1) * size + is_other.argmax(axis=1)] = 1

    def formula(sums: NDArray) -> NDArray:
        table = sums.reshape(*sums.shape[:-1], size, size)
        expected = table.sum(axis=-1)[..., :, None] * table.sum(axis=-2)[..., None, :]
        total = table.sum(axis=(-1, -2))
        return 1 - (table * cost).sum(axis=(-1, -2)) * total / (expected * cost).sum(axis=(-1, -2))

    return GroupDraws.draw(engines, rng, level, resamples).of_sums(columns, formula)


def fleiss_kappa(
    counts: ArrayLike,
    engines: ArrayLike,
    rng: np.random.Generator,
    *,
    level: float = 0.95,
    resamples: int = RESAMPLES,
) -> Estimate:
    """Return Fleiss's kappa of several readers (Psychol. Bull. 1971;76:378-382).

    Own formula: that of statsmodels takes one table and is not in the default install. Tests hold the two
    together.

    Parameters
    ----------
    counts : array_like of int, shape (events, classes)
        How many readers gave each class; as many readers an event (with gaps use `krippendorff_alpha`).
    engines : array_like, shape (events,)
    rng : numpy.random.Generator
    level : float
    resamples : int

    Raises
    ------
    ValueError
        When the events do not all have the same number of readers, two or more.

    Examples
    --------
    >>> round(fleiss_kappa([[3, 0], [1, 2], [0, 3]], ["a", "b", "c"], np.random.default_rng(0)).value, 4)
    0.55
    """
    table = np.asarray(counts, dtype=float)
    if table.ndim != 2:
        raise ValueError(f"counts have {table.ndim} dimensions; expected events by classes")
    readers = table.sum(axis=1)
    if table.shape[0] and ((readers != readers[0]).any() or readers[0] < 2):
        raise ValueError("every event needs the same number of readers, two or more")
    agreed = (table * (table - 1)).sum(axis=1) / np.maximum(readers * (readers - 1), 1)
    columns = np.concatenate([np.ones((table.shape[0], 1)), agreed[:, None], table], axis=1)

    def formula(sums: NDArray) -> NDArray:
        observed = sums[..., 1] / sums[..., 0]
        share = sums[..., 2:] / sums[..., 2:].sum(axis=-1, keepdims=True)
        chance = (share**2).sum(axis=-1)
        return (observed - chance) / (1 - chance)

    return GroupDraws.draw(engines, rng, level, resamples).of_sums(columns, formula)
