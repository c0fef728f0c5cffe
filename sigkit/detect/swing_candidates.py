"""Fast swings of the record that may be the switching-off of a coil."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sigkit.detect.level_blocks import LevelBlocks, indices, pieces
from sigkit.prepare.running_extreme import running_extreme

#: Time within which a firing line rises out of the dwell, seconds (our choice: a ring-up quarter period of
#: 60 us and the lag of a slow recorder, in blocks).
RISE_S = 0.15e-3
#: A swing must exceed the record's usual swing by this factor, and this share of its largest (our choice).
USUAL_FACTOR = 1.5
LEAST_SHARE = 0.003
#: A swing counts when it is at least this share of the largest one of its direction within the time (our
#: choice: the swing of a waste spark against that at the end of its burn).
NEAR_SHARE = 0.15
NEAR_S = 0.8e-3
#: Steps of the mean level: averaged over this long on either side (our choice: the shortest burn line counted
#: lasts 0.05 ms, the usual one 0.5 ms and more).
STEP_S = 0.3e-3
#: Least step in robust standard deviations of the record's steps (our choice).
STEP_SIGMA = 3.0


@dataclass(frozen=True, eq=False)
class Swings:
    """Candidate swings, in time order. Arrays have shape (n,).

    Attributes
    ----------
    block : ndarray of int64
        Block in which the swing arrives.
    direction : ndarray of int64
        +1 up, -1 down.
    size : ndarray of float32
        In the unit of the blocks, positive.
    """

    block: NDArray[np.int64]
    direction: NDArray[np.int64]
    size: NDArray[np.float32]

    def take(self, rows: NDArray) -> Swings:
        """Return the swings with the given row numbers."""
        return Swings(self.block[rows], self.direction[rows], self.size[rows])


def find_swings(blocks: LevelBlocks, sample_rate_Hz: float) -> Swings:
    """Find the dominant swings of both directions: quick ones between extremes, and steps of the mean level.

    A spike shows as the one, a burn line that drowns in noise sample by sample as the other.

    Parameters
    ----------
    blocks : LevelBlocks
    sample_rate_Hz : float
        Of the samples, hertz.

    Returns
    -------
    Swings
    """
    rate = sample_rate_Hz / blocks.length
    reach = _Reach(max(1, round(RISE_S * rate)), max(1, round(NEAR_S * rate)), max(1, round(STEP_S * rate)))
    usual, spread = _usual(blocks, reach)
    found: dict[int, list[tuple[NDArray, NDArray, NDArray]]] = {1: [], -1: []}
    largest = {1: 0.0, -1: 0.0}
    for part in pieces(blocks.runs):
        near = _Near.gather(blocks, part, reach)
        for direction in (1, -1):
            swing = near.swing(direction, reach)
            largest[direction] = max(largest[direction], float(swing[near.core].max(initial=0.0)))
            limit = max(USUAL_FACTOR * usual[direction], LEAST_SHARE * largest[direction])
            quick = near.dominant(swing, limit, reach)
            rising = near.dominant(direction * near.step, STEP_SIGMA * spread, reach)
            at = np.concatenate([quick, rising])
            is_quick = np.arange(at.size) < quick.size
            found[direction].append((near.block[at], swing[at], is_quick))
    parts = []
    for direction in (1, -1):
        block, size, is_quick = (np.concatenate(values) for values in zip(*found[direction], strict=True))
        limit = max(USUAL_FACTOR * usual[direction], LEAST_SHARE * largest[direction])
        quick = np.flatnonzero(is_quick & (size > limit))
        rising = np.flatnonzero(~is_quick)
        quick, rising = (rows[_apart(block[rows], reach.rise)] for rows in (quick, rising))
        # A step belongs to the quick swing beside it.
        if quick.size and rising.size:
            at = block[quick]
            place = np.searchsorted(at, block[rising])
            away = np.minimum(
                np.abs(block[rising] - at[np.minimum(place, at.size - 1)]),
                np.abs(block[rising] - at[np.maximum(place - 1, 0)]),
            )
            rising = rising[away > reach.rise]
        rows = np.concatenate([quick, rising])
        parts.append((block[rows], np.full(rows.size, direction), np.maximum(size[rows], 0)))
    block, directions, size = (np.concatenate(values) for values in zip(*parts, strict=True))
    order = np.lexsort((directions, block))
    return Swings(block[order].astype(np.int64), directions[order].astype(np.int64), size[order])


@dataclass(frozen=True)
class _Reach:
    """Lengths in blocks."""

    rise: int
    near: int
    width: int

    @property
    def margin(self) -> int:
        return self.near + 2 * self.rise + self.width + 1


@dataclass(frozen=True, eq=False)
class _Near:
    """Stretches of blocks with a margin on either side, one after the other; only the core is judged."""

    block: NDArray[np.int64]
    core: NDArray[np.bool_]
    low: NDArray[np.float32]
    high: NDArray[np.float32]
    step: NDArray[np.float32]

    @classmethod
    def gather(cls, blocks: LevelBlocks, part: NDArray, reach: _Reach) -> _Near:
        m = blocks.mean.size
        block = indices(part, reach.margin)
        size = part[:, 1] - part[:, 0] + 2 * reach.margin
        core = np.ones(block.size, dtype=bool)
        begin = np.cumsum(size) - size
        away = np.arange(reach.margin)
        core[begin[:, None] + away] = False
        core[(begin + size - 1)[:, None] - away] = False
        mean, low, high = (
            values.take(block, mode="clip") for values in (blocks.mean, blocks.minimum, blocks.maximum)
        )
        return cls(block, core, low, high, _steps(mean, block, m, reach.width))

    def swing(self, direction: int, reach: _Reach) -> NDArray[np.float32]:
        # Lowest level of the blocks before: window [i - rise, i], so the block itself when alone.
        if direction > 0:
            return self.high - running_extreme(self.low, reach.rise + 1, reach.rise, np.minimum)
        return running_extreme(self.high, reach.rise + 1, reach.rise, np.maximum) - self.low

    def dominant(self, swing: NDArray, limit: float, reach: _Reach) -> NDArray[np.int64]:
        close = running_extreme(swing, 2 * reach.rise + 1, reach.rise, np.maximum)
        at = np.flatnonzero((swing == close) & (swing > limit) & self.core)
        # Windows of `close` that together cover the wider one.
        away = max(reach.near - reach.rise, 0)
        steps = np.linspace(-away, away, 1 + -(-2 * away // (2 * reach.rise + 1))).round().astype(np.int64)
        around = close[at]
        for step in steps:
            np.maximum(around, close[at + step], out=around)
        return at[swing[at] >= NEAR_SHARE * around]


def _usual(blocks: LevelBlocks, reach: _Reach) -> tuple[dict[int, float], float]:
    """Medians of the swings of each direction, and the robust standard deviation of the steps."""
    swings: dict[int, list[NDArray]] = {1: [], -1: []}
    steps = []
    for part in pieces(blocks.sample):
        near = _Near.gather(blocks, part, reach)
        steps.append(np.abs(near.step[near.core]))
        for direction in (1, -1):
            swings[direction].append(near.swing(direction, reach)[near.core])
    usual = {direction: float(np.median(np.concatenate(values))) for direction, values in swings.items()}
    return usual, 1.4826 * float(np.median(np.concatenate(steps)))


def _apart(block: NDArray, rise: int) -> NDArray[np.bool_]:
    return np.diff(block, prepend=-rise - 1) > rise


def _steps(mean: NDArray, block: NDArray, m: int, width: int) -> NDArray[np.float32]:
    """Mean of the blocks from each on, less the mean of those before; 0 where there are none.

    Rows nearer than ``width`` to the ends of ``mean`` are not right, unless the record ends there.
    """
    n = mean.size
    if block[0] >= width and block[-1] < m - width:
        # No end of the record is near: every window is whole.
        sums = np.cumsum(mean, dtype=np.float64)
        result = np.zeros(n, dtype=np.float32)
        second = sums[2 * width :] - 2.0 * sums[width:-width]
        second += sums[: -2 * width]
        result[width + 1 : n - width + 1] = second * (1.0 / width)
        return result
    sums = np.concatenate([[0.0], np.cumsum(mean, dtype=np.float64)])
    place = np.arange(n)
    after = np.minimum(place + np.clip(m - block, 1, width), n)
    before = np.maximum(place - np.clip(block, 0, width), 0)
    behind = (sums[after] - sums[place]) / np.maximum(after - place, 1)
    ahead = (sums[place] - sums[before]) / np.maximum(place - before, 1)
    return np.where(block > 0, behind - ahead, 0.0).astype(np.float32)
