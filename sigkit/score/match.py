"""The one matcher: pair the events of two lists, each at most once, within a tolerance.

Positions are whole samples and the tolerance is inclusive (``<=``). Among all one-to-one pairings the
largest is taken, and among the largest ones that with the least total absolute error. The pairing is
symmetric (the lists may swap roles), deterministic and does not depend on the order of the input.

On a line an optimal pairing never crosses: swapping the partners of a crossing pair keeps both distances
within the tolerance and never raises their sum. So the events split into independent clusters, and inside
a cluster dynamic programming over the admissible pairs is exact. Cost: O(n log n) for sorting plus the
number of admissible pairs in clusters that have a choice.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

_SKIP_FIRST, _SKIP_SECOND, _PAIR = 0, 1, 2


@dataclass(frozen=True, eq=False)
class Matching:
    """Pairs found by `match_events`.

    Attributes
    ----------
    first, second : ndarray of int64, shape (pairs,)
        Indices into the two lists, row by row a pair, in order of position.
    error : ndarray of int64, shape (pairs,)
        Position in the second list minus position in the first, samples.
    first_count, second_count : int
        Lengths of the two lists.
    """

    first: NDArray[np.int64]
    second: NDArray[np.int64]
    error: NDArray[np.int64]
    first_count: int
    second_count: int

    def __len__(self) -> int:
        return int(self.first.shape[0])

    @property
    def first_unmatched(self) -> NDArray[np.int64]:
        """Indices of the first list without a partner, ascending."""
        return np.setdiff1d(np.arange(self.first_count), self.first)

    @property
    def second_unmatched(self) -> NDArray[np.int64]:
        """Indices of the second list without a partner, ascending."""
        return np.setdiff1d(np.arange(self.second_count), self.second)


def match_events(first: ArrayLike, second: ArrayLike, tolerance: int) -> Matching:
    """Pair two lists of events one to one within a tolerance.

    Parameters
    ----------
    first, second : array_like of int, shape (n,) and (m,)
        Positions in samples, in any order; equal positions are separate events.
    tolerance : int
        Largest distance of a pair in samples, inclusive, 0 or more.

    Returns
    -------
    Matching

    Raises
    ------
    TypeError
        When a position or the tolerance is not a whole number of samples.
    ValueError
        When a list is not one-dimensional, or the tolerance is negative.

    Examples
    --------
    The largest pairing comes first, then the least total error:

    >>> pairs = match_events([100, 110], [108, 117], tolerance=8)
    >>> pairs.first.tolist(), pairs.second.tolist(), pairs.error.tolist()
    ([0, 1], [0, 1], [8, 7])
    >>> match_events([100, 110], [108, 300], tolerance=8).error.tolist()
    [-2]
    """
    first = _whole_samples(first, "first")
    second = _whole_samples(second, "second")
    tolerance = _whole_tolerance(tolerance)
    first_order = np.argsort(first, kind="stable")
    second_order = np.argsort(second, kind="stable")
    a, b = first[first_order], second[second_order]
    rows, columns = _match_sorted(a, b, tolerance)
    return Matching(
        first_order[rows], second_order[columns], b[columns] - a[rows], int(a.shape[0]), int(b.shape[0])
    )


def _whole_samples(positions: ArrayLike, name: str) -> NDArray[np.int64]:
    array = np.asarray(positions)
    if array.ndim != 1:
        raise ValueError(f"{name} has {array.ndim} dimensions; expected a list of positions in samples")
    if array.size and not np.issubdtype(array.dtype, np.integer):
        raise TypeError(f"{name} holds {array.dtype} values; expected whole samples: round them first")
    return array.astype(np.int64)


def _whole_tolerance(tolerance: int) -> int:
    if isinstance(tolerance, bool) or not isinstance(tolerance, (int, np.integer)):
        raise TypeError(f"tolerance is {tolerance!r}; expected a whole number of samples")
    if tolerance < 0:
        raise ValueError(f"tolerance is {tolerance}; expected 0 or more samples")
    return int(tolerance)


def _match_sorted(a: NDArray, b: NDArray, tolerance: int) -> tuple[NDArray, NDArray]:
    """Return rows into sorted ``a`` and ``b`` of the optimal pairing, ascending."""
    low = np.searchsorted(b, a - tolerance, side="left")
    high = np.searchsorted(b, a + tolerance, side="right")
    able = np.flatnonzero(high > low)
    if not able.size:
        return able, able.copy()
    low, high = low[able], high[able]
    # Windows ascend, so a new cluster starts where a window shares no event with the one before.
    starts = np.flatnonzero(np.r_[True, low[1:] >= high[:-1]])
    stops = np.r_[starts[1:], able.size]
    one_first = stops - starts == 1
    one_second = (high[stops - 1] - low[starts] == 1) & ~one_first

    reach = a[able]
    row = starts[one_first]
    start, stop = starts[one_second], stops[one_second]
    rows = [able[row], able[_nearest(reach, b[low[start]], start, stop)]]
    columns = [_nearest(b, reach[row], low[row], high[row]), low[start]]
    for start, stop in zip(starts[~one_first & ~one_second], stops[~one_first & ~one_second]):
        pairs = list(_match_cluster(reach[start:stop], b, low[start:stop], high[start:stop], tolerance))
        rows.append(able[start + np.array([pair[0] for pair in pairs], dtype=np.int64)])
        columns.append(np.array([pair[1] for pair in pairs], dtype=np.int64))
    all_rows, all_columns = np.concatenate(rows), np.concatenate(columns)
    order = np.argsort(all_rows, kind="stable")
    return all_rows[order], all_columns[order]


def _nearest(many: NDArray, one: NDArray, low: NDArray, high: NDArray) -> NDArray[np.int64]:
    """Return for each of ``one`` the nearest of sorted ``many[low:high]``; on a tie the earlier one."""
    after = np.searchsorted(many, one, side="left")
    before = np.clip(after - 1, low, high - 1)
    after = np.clip(after, low, high - 1)
    best = np.where(np.abs(many[after] - one) < np.abs(many[before] - one), after, before)
    return np.searchsorted(many, many[best], side="left")


def _match_cluster(
    a: NDArray, b: NDArray, low: NDArray, high: NDArray, tolerance: int
) -> Iterator[tuple[int, int]]:
    """Yield the optimal pairs (row of a, row of b) of one cluster, last pair first.

    ``best[j]`` is the value of the best pairing of the events up to this row of ``a`` with those of ``b``
    before ``j``, kept only for ``j`` in ``low ... high``: before, the row cannot pair; after, nothing
    changes. A pair is worth ``reward - |error|``, and one more pair outweighs every error together.
    """
    most = min(len(a), int(high[-1] - low[0]))
    reward = most * tolerance + 1
    # Python integers never overflow; numpy rows are quicker where many partners are within reach.
    wide = int(np.sum(high - low)) > 48 * len(a) and most * reward < 2**62
    fill = _fill_wide_row if wide else _fill_row
    choices: list[list[int] | NDArray] = []
    best: list | NDArray = [0]
    base = int(low[0])
    # NumPy scalars are slow one by one.
    for position, start, stop in zip(a.tolist(), low.tolist(), high.tolist()):
        best, choice = fill(best, start - base, position, b[start:stop], reward)
        base = start
        choices.append(choice)

    row, column = len(a) - 1, int(high[-1])
    while row >= 0:
        start, stop = int(low[row]), int(high[row])
        column = min(column, stop)
        if column <= start:
            row -= 1
            continue
        decision = int(choices[row][column - start - 1])
        if decision == _PAIR:
            yield row, column - 1
        if decision != _SKIP_FIRST:
            column -= 1
        if decision != _SKIP_SECOND:
            row -= 1


def _fill_row(
    before: list | NDArray, shift: int, position: int, partners: NDArray, reward: int
) -> tuple[list, list[int]]:
    """Return the values and the choices of one row, from the values of the row before."""
    width = len(before)
    left = int(before[min(shift, width - 1)])
    values, choices = [left], []
    diagonal = left
    for offset, partner in enumerate(partners.tolist(), start=shift + 1):
        above = int(before[min(offset, width - 1)])
        pair = diagonal + reward - abs(partner - position)
        best = max(above, left, pair)
        # Which of two equally good answers is taken depends on positions only, so swapping the lists
        # gives the same pairs: the later event is left out if it can be.
        if partner == position and pair == best:
            choices.append(_PAIR)
        elif position > partner:
            choices.append(_SKIP_FIRST if above == best else _SKIP_SECOND if left == best else _PAIR)
        else:
            choices.append(_SKIP_SECOND if left == best else _SKIP_FIRST if above == best else _PAIR)
        values.append(best)
        diagonal, left = above, best
    return values, choices


def _fill_wide_row(
    before: list | NDArray, shift: int, position: int, partners: NDArray, reward: int
) -> tuple[NDArray, NDArray]:
    """Do what `_fill_row` does with whole-row operations."""
    reach = np.minimum(np.arange(shift, shift + len(partners) + 1), len(before) - 1)
    above = np.asarray(before, dtype=np.int64)[reach]
    pair = above[:-1] + reward - np.abs(partners - position)
    values = np.maximum.accumulate(np.r_[above[0], np.maximum(above[1:], pair)])
    best, left, above = values[1:], values[:-1], above[1:]
    first_later = np.where(above == best, _SKIP_FIRST, np.where(left == best, _SKIP_SECOND, _PAIR))
    second_later = np.where(left == best, _SKIP_SECOND, np.where(above == best, _SKIP_FIRST, _PAIR))
    choices = np.where(partners < position, first_later, second_later)
    return values, np.where((partners == position) & (pair == best), _PAIR, choices).astype(np.uint8)
