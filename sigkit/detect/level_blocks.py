"""The blocks of a channel in single precision, about a level of their own, and which of them are searched."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sigkit.prepare.block_summary import BlockSummary

#: Blocks worked on at a time (our choice: measured; fewer cost more calls, more leave the second-level cache).
AT_ONCE = 49_152
#: Blocks of a span: 1 ms (our choice: a firing fills some ten of them). Stretches are whole spans but for the last.
SPAN_BLOCKS = 20
#: Blocks copied together (our choice: half a span, so that margins need not be whole spans).
PART_BLOCKS = SPAN_BLOCKS // 2
#: Share of a stretch of memory from which on it is read in order before parts of it are taken (our choice: measured).
DENSE_SHARE = 0.25


@dataclass(frozen=True, eq=False)
class LevelBlocks:
    """Reductions of blocks, in a unit of their own and from a level of their own. Arrays have shape (m,).

    Attributes
    ----------
    length, count : int
        Samples of a block, and of the record.
    unit : float
        Channel units of one unit here, positive.
    minimum, maximum, mean, scatter : ndarray of float32
        Scatter is the standard deviation within the block. In quiet stretches of a long record neighbouring blocks
        share one rough value (`sigkit.detect.look_closely`).
    runs : ndarray of int64, shape (r, 2)
        First block and the block behind the last of each stretch that was looked at closely, ascending; these are
        searched for swings.
    sample : ndarray of int64, shape (s, 2)
        Stretches among them that stand for the whole record in medians.
    """

    length: int
    count: int
    unit: float
    minimum: NDArray[np.float32]
    maximum: NDArray[np.float32]
    mean: NDArray[np.float32]
    scatter: NDArray[np.float32]
    runs: NDArray[np.int64]
    sample: NDArray[np.int64]

    @classmethod
    def from_summary(cls, blocks: BlockSummary, step: float = 0.0) -> LevelBlocks:
        """Return all blocks of a summary.

        Parameters
        ----------
        blocks : BlockSummary
        step : float
            Channel units of one stored integer, which becomes the unit: equal integers then stay equal. 0 when the
            samples are no integers; the largest distance from the middle becomes 1.
        """
        m = blocks.mean.size
        level = float(blocks.maximum[m // 2]) if m else 0.0
        top, bottom = float(blocks.maximum.max(initial=level)), float(blocks.minimum.min(initial=level))
        unit = step if step > 0 else max(top - level, level - bottom, 1e-300)
        scatter = np.sqrt(np.maximum(blocks.mean_square - blocks.mean**2, 0.0)) / unit
        runs = np.array([[0, m]], dtype=np.int64)
        low, high, mean = (
            ((values - level) / unit).astype(np.float32) for values in (blocks.minimum, blocks.maximum, blocks.mean)
        )
        return cls(blocks.length, blocks.count, unit, low, high, mean, scatter.astype(np.float32), runs, runs)

    @property
    def all_searched(self) -> bool:
        """Whether `runs` are the whole record."""
        return int((self.runs[:, 1] - self.runs[:, 0]).sum()) == self.mean.size

    def looked_at(self) -> NDArray[np.bool_]:
        """Return which blocks lie in `runs`."""
        lengths = np.diff(self.runs.ravel(), prepend=0, append=self.mean.size)
        return np.repeat(np.arange(lengths.size) % 2 == 1, lengths)

    def subtract(self, first: int, level: NDArray) -> None:
        """Take a level off the blocks from ``first`` on, in place."""
        part = slice(first, first + level.size)
        single = level.astype(np.float32, copy=False)
        for values in (self.minimum, self.maximum, self.mean):
            values[part] -= single


def pieces(runs: NDArray, at_once: int = AT_ONCE) -> Iterator[NDArray[np.int64]]:
    """Yield the stretches in groups of about ``at_once`` blocks, long ones divided.

    Examples
    --------
    >>> [part.tolist() for part in pieces(np.array([[0, 3], [5, 12]]), 4)]
    [[[0, 3]], [[5, 9]], [[9, 12]]]
    """
    size = runs[:, 1] - runs[:, 0]
    parts = -(-size // at_once)
    row = np.repeat(np.arange(runs.shape[0]), parts)
    within = np.arange(row.size) - np.repeat(np.cumsum(parts) - parts, parts)
    first = runs[row, 0] + within * at_once
    divided = np.stack([first, np.minimum(first + at_once, runs[row, 1])], axis=1)
    filled = np.cumsum(divided[:, 1] - divided[:, 0])
    begin = 0
    while begin < divided.shape[0]:
        so_far = int(filled[begin - 1]) if begin else 0
        end = max(begin + 1, int(np.searchsorted(filled, so_far + at_once, side="right")))
        yield divided[begin:end]
        begin = end


def joined(runs: NDArray, apart: int) -> NDArray[np.int64]:
    """Return the stretches, those with at most ``apart`` blocks between them as one.

    Examples
    --------
    >>> joined(np.array([[0, 3], [5, 12], [20, 30]]), 2).tolist()
    [[0, 12], [20, 30]]
    """
    if runs.shape[0] < 2:
        return runs
    away = np.flatnonzero(runs[1:, 0] - runs[:-1, 1] > apart)
    return np.stack([runs[np.append(0, away + 1), 0], runs[np.append(away, -1), 1]], axis=1)


def gather(several: Sequence[NDArray], stretches: NDArray, margin: int = 0) -> list[NDArray]:
    """Return of each list the numbers of all blocks of the stretches, with a margin on either side, in one row.

    Beyond the ends of the record its last number goes on.

    Examples
    --------
    >>> gather([np.array([5, 6, 7, 8, 9, 8])], np.array([[0, 2], [5, 6]]), 1)[0].tolist()
    [5, 5, 6, 7, 9, 8, 8]
    """
    m = several[0].size
    wide = stretches + np.array([-margin, margin])
    # A tenth of the time of taking block by block or stretch by stretch; not where a stretch leaves the record.
    inside = slice(int(np.searchsorted(wide[:, 0], 0)), int(np.searchsorted(wide[:, 1], m, side="right")))
    if inside.stop - inside.start < 2 or (wide[inside] % PART_BLOCKS).any():
        return [_slices(values, wide.tolist()) for values in several]
    chosen = indices(wide[inside] // PART_BLOCKS)
    whole = m // PART_BLOCKS * PART_BLOCKS
    before, behind = wide[: inside.start].tolist(), wide[inside.stop :].tolist()
    parts = []
    for values in several:
        read_in_order(values, int(wide[inside][0, 0]), int(wide[inside][-1, 1]), chosen.size * PART_BLOCKS)
        taken = values[:whole].reshape(-1, PART_BLOCKS).take(chosen, axis=0).ravel()
        if before or behind:
            taken = np.concatenate([_slices(values, before), taken, _slices(values, behind)])
        parts.append(taken)
    return parts


def read_in_order(values: NDArray, first: int, last: int, count: int) -> None:
    """Read the numbers ``first:last`` when about ``count`` of them are to be taken from scattered places.

    Memory that is read in order comes many times faster, and is still in the cache when the numbers are taken.
    """
    if count > DENSE_SHARE * (last - first):
        values[first:last].max()


def _slices(values: NDArray, stretches: list[list[int]]) -> NDArray:
    m = values.size
    parts = [values[:0]]
    for first, last in stretches:
        if first < 0:
            parts.append(np.repeat(values[:1], -first))
        parts.append(values[max(first, 0) : last])
        if last > m:
            parts.append(np.repeat(values[-1:], last - m))
    return parts[1] if len(parts) == 2 else np.concatenate(parts)


def indices(stretches: NDArray) -> NDArray[np.int64]:
    """Return the numbers from the first of each stretch to the one before its last, one after the other.

    Examples
    --------
    >>> indices(np.array([[0, 2], [5, 6]])).tolist()
    [0, 1, 5]
    """
    size = stretches[:, 1] - stretches[:, 0]
    start = np.cumsum(size) - size
    return np.arange(int(size.sum())) + np.repeat(stretches[:, 0] - start, size)
