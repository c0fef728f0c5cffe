"""Readings in rows turned into a table of events by readers, as correlations, alpha and kappas want them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray


@dataclass(frozen=True, eq=False)
class ReadingTable:
    """One reading a cell.

    Attributes
    ----------
    item, reader : ndarray of str, shape (items,) and (readers,)
        Sorted.
    table : ndarray, shape (items, readers)
        Float64 with NaN, or text with ``""``, where there is no reading; `krippendorff_alpha` takes its
        transpose, `intraclass_correlation` the table itself.
    """

    item: NDArray[np.str_]
    reader: NDArray[np.str_]
    table: NDArray

    def counts(self, classes: ArrayLike) -> NDArray[np.int64]:
        """Return how many readers gave each class, shape (items, classes), for `fleiss_kappa`."""
        return (self.table[:, :, None] == np.asarray(classes)).sum(axis=1)


def reading_table(value: ArrayLike, item: ArrayLike, reader: ArrayLike) -> ReadingTable:
    """Return the first reading of every event by every reader, in the order of the rows.

    Parameters
    ----------
    value : array_like of float or str, shape (n,)
    item, reader : array_like, shape (n,)
        Event read (a name of its own in the whole data set), and by whom.

    Raises
    ------
    ValueError
        When lengths differ.

    Examples
    --------
    >>> found = reading_table(["a", "b", "a"], ["e", "f", "e"], ["r1", "r1", "r2"])
    >>> found.table.tolist(), found.counts(["a", "b"]).tolist()
    ([['a', 'a'], ['b', '']], [[2, 0], [0, 1]])
    """
    values, items, readers = np.asarray(value), np.asarray(item).astype(str), np.asarray(reader).astype(str)
    if values.ndim != 1 or not values.shape == items.shape == readers.shape:
        raise ValueError("value, item and reader must be lists of one length")
    names, of_item = np.unique(items, return_inverse=True)
    people, of_reader = np.unique(readers, return_inverse=True)
    text = values.dtype.kind in "OSU"
    values = values.astype(str) if text else values.astype(float)
    table = np.full((names.size, people.size), "" if text else np.nan, dtype=values.dtype)
    _, first = np.unique(of_item * max(people.size, 1) + of_reader, return_index=True)
    table[of_item[first], of_reader[first]] = values[first]
    return ReadingTable(names, people, table)
