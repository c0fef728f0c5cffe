"""One label from several readers, and which events want a second look."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray


@dataclass(frozen=True, eq=False)
class InstantConsensus:
    """One row an event, in sorted order of the events; instants in the unit of the input.

    Attributes
    ----------
    item : ndarray of str, shape (items,)
    value : ndarray of float64
        Median over readers (of each reader's median); NaN where most could not measure it.
    spread : ndarray of float64
        Standard deviation between the readers (n - 1); NaN for fewer than two.
    range : ndarray of float64
        Largest less smallest reading, repeats included.
    readers, refused : ndarray of int64
        Readers that looked; of them those that could not measure it.
    adjudicate : ndarray of bool
        The range is above the tolerance, or some measured it and some could not.
    queue : ndarray of int64
        Rows to adjudicate, the widest first; those with refusals before all.
    """

    item: NDArray[np.str_]
    value: NDArray[np.float64]
    spread: NDArray[np.float64]
    range: NDArray[np.float64]
    readers: NDArray[np.int64]
    refused: NDArray[np.int64]
    adjudicate: NDArray[np.bool_]
    queue: NDArray[np.int64]


def consensus_instants(value: ArrayLike, item: ArrayLike, reader: ArrayLike, tolerance: float) -> InstantConsensus:
    """Return the median of readers' instants, its spread, and the events on which they disagree.

    Parameters
    ----------
    value : array_like of float, shape (n,)
        Readings in any one unit; NaN = looked at and not measurable.
    item, reader : array_like, shape (n,)
        Event read (a name of its own in the whole data set), and by whom.
    tolerance : float
        Largest range that needs no second look, same unit, 0 or more.

    Raises
    ------
    ValueError
        When lengths differ or the tolerance is negative.

    Examples
    --------
    >>> found = consensus_instants([1.0, 1.2, 5.0, 9.0], ["e", "e", "f", "f"], ["r1", "r2"] * 2, 0.5)
    >>> found.value.tolist(), found.item[found.queue].tolist()
    ([1.1, 7.0], ['f'])
    """
    values = np.asarray(value, dtype=float)
    items, readers = np.asarray(item).astype(str), np.asarray(reader).astype(str)
    if values.ndim != 1 or not values.shape == items.shape == readers.shape:
        raise ValueError("value, item and reader must be lists of one length")
    if not tolerance >= 0:
        raise ValueError(f"tolerance is {tolerance}; expected 0 or more")
    names, of_item = np.unique(items, return_inverse=True)
    _, of_reader = np.unique(readers, return_inverse=True)
    order = np.lexsort((of_reader, of_item))
    rows = np.split(order, np.flatnonzero(np.diff(of_item[order])) + 1) if order.size else []
    middle, spread, wide = (np.full(names.size, np.nan) for _ in range(3))
    looked, refused = np.zeros(names.size, dtype=np.int64), np.zeros(names.size, dtype=np.int64)
    for place, row in enumerate(rows):
        own = np.split(values[row], np.flatnonzero(np.diff(of_reader[row])) + 1)
        each = np.array([np.median(one[~np.isnan(one)]) for one in own if not np.isnan(one).all()])
        looked[place], refused[place] = len(own), len(own) - each.size
        if each.size:
            wide[place] = np.nanmax(values[row]) - np.nanmin(values[row])
            middle[place] = np.median(each) if 2 * each.size > len(own) else np.nan
        if each.size > 1:
            spread[place] = each.std(ddof=1)
    torn = (refused > 0) & (refused < looked)
    adjudicate = torn | (wide > tolerance)
    urgency = np.where(torn, np.inf, np.nan_to_num(wide, nan=-1.0))
    queue = np.argsort(-urgency, kind="stable")
    return InstantConsensus(names, middle, spread, wide, looked, refused, adjudicate, queue[adjudicate[queue]])


@dataclass(frozen=True, eq=False)
class ClassConsensus:
    """One row an event, in sorted order of the events.

    Attributes
    ----------
    item : ndarray of str, shape (items,)
    label : ndarray of str
        Class with more than half of the votes, or ``""``.
    share : ndarray of float64
        Share of the votes for the commonest class.
    readers : ndarray of int64
    adjudicate : ndarray of bool
        The share is below ``least_share``, or nobody has more than half.
    queue : ndarray of int64
        Rows to adjudicate, the most divided first.
    """

    item: NDArray[np.str_]
    label: NDArray[np.str_]
    share: NDArray[np.float64]
    readers: NDArray[np.int64]
    adjudicate: NDArray[np.bool_]
    queue: NDArray[np.int64]


def consensus_classes(
    label: ArrayLike, item: ArrayLike, reader: ArrayLike, *, least_share: float = 1.0
) -> ClassConsensus:
    """Return the majority of readers' classes and the events on which they disagree.

    Each reader has one vote an event; who read it several times splits it.

    Parameters
    ----------
    label : array_like of str, shape (n,)
    item, reader : array_like, shape (n,)
    least_share : float
        Share of the votes that needs no second look, 0 to 1; 1 = all agree.

    Raises
    ------
    ValueError
        When lengths differ.

    Examples
    --------
    >>> found = consensus_classes(["a", "a", "b", "a", "b"], ["e", "e", "e", "f", "f"],
    ...                           ["r1", "r2", "r3", "r1", "r2"])
    >>> found.label.tolist(), found.share.round(2).tolist(), found.item[found.queue].tolist()
    (['a', ''], [0.67, 0.5], ['f', 'e'])
    """
    labels, items, readers = (np.asarray(column).astype(str) for column in (label, item, reader))
    if labels.ndim != 1 or not labels.shape == items.shape == readers.shape:
        raise ValueError("label, item and reader must be lists of one length")
    names, of_item = np.unique(items, return_inverse=True)
    classes, of_class = np.unique(labels, return_inverse=True)
    _, of_reader = np.unique(readers, return_inverse=True)
    pairs, of_pair, times = np.unique(
        np.stack([of_item, of_reader]), axis=1, return_inverse=True, return_counts=True
    )
    votes = np.zeros((names.size, classes.size))
    np.add.at(votes, (of_item, of_class), 1 / times[of_pair.ravel()])
    voters = np.bincount(pairs[0].astype(int), minlength=names.size)
    share = votes.max(axis=1, initial=0) / np.maximum(voters, 1)
    clear = share > 0.5 + 1e-9
    winner = np.where(clear, classes[votes.argmax(axis=1)], "") if classes.size else np.zeros(0, dtype=str)
    adjudicate = ~clear | (share < least_share - 1e-9)
    queue = np.argsort(share, kind="stable")
    return ClassConsensus(names, winner, share, voters, adjudicate, queue[adjudicate[queue]])
