"""Sets of conditions: how often they hold the true one, and how large they are."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sigkit.score.bootstrap import RESAMPLES
from sigkit.score.estimate import Estimate
from sigkit.score.group_draws import GroupDraws


@dataclass(frozen=True)
class SetQuality:
    """Quality of prediction sets.

    Attributes
    ----------
    count : int
    coverage : Estimate
        Share of the sets that hold the true class.
    mean_size : Estimate
        Classes in a set.
    empty_share, single_share, full_share : Estimate
        Shares of the sets with no, one and every class.
    coverage_by_class : dict
        Class -> coverage among the firings truly of it.
    coverage_by_size : dict
        Size -> coverage among the sets of that size (only sizes that occur).
    by_engine : dict
        Engine -> coverage of that engine alone.
    """

    count: int
    coverage: Estimate
    mean_size: Estimate
    empty_share: Estimate
    single_share: Estimate
    full_share: Estimate
    coverage_by_class: dict[str, Estimate]
    coverage_by_size: dict[int, Estimate]
    by_engine: dict[str, float]


def score_sets(
    truth: ArrayLike,
    members: ArrayLike,
    classes: Sequence[str],
    engines: ArrayLike,
    rng: np.random.Generator,
    *,
    level: float = 0.95,
    resamples: int = RESAMPLES,
) -> SetQuality:
    """Score prediction sets.

    Parameters
    ----------
    truth : array_like of str, shape (n,)
    members : array_like of bool, shape (n, k)
        Whether each class is in the set; columns as in ``classes``.
    classes : sequence of str, length k
    engines : array_like, shape (n,)
    rng : numpy.random.Generator
    level : float
    resamples : int

    Raises
    ------
    ValueError
        When shapes do not fit or a truth is none of the classes.

    Examples
    --------
    >>> found = score_sets(["a", "b"], [[True, True], [True, False]], ["a", "b"], ["x", "y"],
    ...                    np.random.default_rng(0))
    >>> found.coverage.value, found.mean_size.value, found.coverage_by_class["b"].value
    (0.5, 1.5, 0.0)
    """
    true, table = np.asarray(truth).astype(str), np.asarray(members, dtype=bool)
    if table.shape != (true.size, len(classes)):
        raise ValueError(f"members has shape {table.shape}; expected {(true.size, len(classes))}")
    wanted = true[:, None] == np.asarray(classes, dtype=str)
    if not wanted.any(axis=1).all():
        raise ValueError(f"not among the classes: {true[~wanted.any(axis=1)][0]}")
    size, held = table.sum(axis=1), (table & wanted).any(axis=1)
    sizes = np.unique(size).tolist()
    shares = [held, size, size == 0, size == 1, size == len(classes)]
    chosen = np.concatenate([wanted, size[:, None] == np.array(sizes, dtype=int)], axis=1)
    whole = np.stack([np.ones(true.size), *shares], axis=1)
    columns = np.concatenate([whole, chosen, chosen & held[:, None]], axis=1)
    parts = chosen.shape[1]

    def formula(sums: NDArray) -> NDArray:
        among, hits = sums[..., 6 : 6 + parts], sums[..., 6 + parts :]
        return np.concatenate([sums[..., 1:6] / sums[..., :1], hits / among], axis=-1)

    draws = GroupDraws.draw(engines, rng, level, resamples)
    found = draws.many_of_sums(columns, formula)
    by_class = dict(zip(classes, found[5 : 5 + len(classes)]))
    by_size = dict(zip(sizes, found[5 + len(classes) :]))
    by_engine = {str(name): float(held[draws.number == place].mean()) for place, name in enumerate(draws.names)}
    coverage, mean_size, empty, single, full = found[:5]
    return SetQuality(true.size, coverage, mean_size, empty, single, full, by_class, by_size, by_engine)
