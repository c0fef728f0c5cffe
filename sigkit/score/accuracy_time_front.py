"""The accuracy-time front: algorithms that nobody beats in both."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray


@dataclass(frozen=True, eq=False)
class AccuracyTimeFront:
    """Who is on the front, and who beats those that are not.

    Attributes
    ----------
    on_front : ndarray of bool, shape (n,)
    beaten_by : tuple of tuple of int
        For each, the places of those at least as good in both and better in one.
    """

    on_front: NDArray[np.bool_]
    beaten_by: tuple[tuple[int, ...], ...]


def accuracy_time_front(
    score: ArrayLike, seconds: ArrayLike, *, higher_is_better: bool = True
) -> AccuracyTimeFront:
    """Find the algorithms that no other beats in accuracy and time together.

    Parameters
    ----------
    score : array_like of float, shape (n,)
        NaN (failed) is never on the front.
    seconds : array_like of float, shape (n,)
        Time each took, s or any one unit, 0 or more; NaN is never on the front.
    higher_is_better : bool
        False where the score is an error.

    Raises
    ------
    ValueError
        When lengths differ or a time is negative.

    Examples
    --------
    >>> accuracy_time_front([0.9, 0.8, 0.7], [5.0, 1.0, 2.0]).on_front.tolist()
    [True, True, False]
    """
    value, time = np.asarray(score, dtype=float), np.asarray(seconds, dtype=float)
    if value.ndim != 1 or value.shape != time.shape:
        raise ValueError(f"{value.shape} scores and {time.shape} times; expected lists of one length")
    if (time < 0).any():
        raise ValueError("a time is negative")
    loss = -value if higher_is_better else value
    # Row by column: column beats row. Comparisons with NaN are false, so failures beat nobody.
    no_worse = (loss <= loss[:, None]) & (time <= time[:, None])
    better = (loss < loss[:, None]) | (time < time[:, None])
    beats = no_worse & better
    failed = np.isnan(value) | np.isnan(time)
    return AccuracyTimeFront(
        ~beats.any(axis=1) & ~failed, tuple(tuple(map(int, np.flatnonzero(row))) for row in beats)
    )
