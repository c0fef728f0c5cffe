"""Fast swings of the record that may be the switching-off of a coil."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from sigkit.detect.level_blocks import PART_BLOCKS, LevelBlocks, gather, joined, pieces
from sigkit.prepare.running_extreme import whole_windows

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
    direction : ndarray of int8
        +1 up, -1 down.
    size : ndarray of float32
        In the unit of the blocks, positive.
    step : ndarray of float32
        By how much the mean level of the `STEP_S` from the swing on exceeds that before, in the swing's direction.
    """

    block: NDArray[np.int64]
    direction: NDArray[np.int8]
    size: NDArray[np.float32]
    step: NDArray[np.float32]

    def take(self, rows: NDArray) -> Swings:
        """Return the swings with the given row numbers."""
        return Swings(self.block.take(rows), self.direction.take(rows), self.size.take(rows), self.step.take(rows))


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
    found: dict[int, list[tuple[NDArray, NDArray, NDArray, NDArray]]] = {1: [], -1: []}
    largest = {1: 0.0, -1: 0.0}
    # Runs close together are cheaper as one stretch.
    stretches, looked = joined(blocks.runs, 2 * reach.margin), None
    if 2 * stretches.shape[0] > blocks.runs.shape[0]:
        stretches = blocks.runs
    else:
        looked = blocks.looked_at()
    for part in pieces(stretches):
        near = _Near.gather(blocks, part, reach, looked)
        for direction in (1, -1):
            swing = near.swing(direction, reach)
            largest[direction] = max(largest[direction], near.largest(swing))
            limit = max(USUAL_FACTOR * usual[direction], LEAST_SHARE * largest[direction])
            quick = near.dominant(swing, limit, reach)
            step = direction * near.step
            rising = near.dominant(step, STEP_SIGMA * spread, reach)
            is_quick = np.arange(quick.size + rising.size) < quick.size
            at = np.concatenate([quick, rising])
            block = near.shift.take(at) + at.astype(np.int32)
            found[direction].append((block, swing.take(at), step.take(at), is_quick))
    parts = []
    for direction in (1, -1):
        block, size, step, is_quick = (np.concatenate(values) for values in zip(*found.pop(direction), strict=True))
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
        directions = np.full(rows.size, direction, dtype=np.int8)
        parts.append((block.take(rows), directions, np.maximum(size.take(rows), 0), step.take(rows)))
    block, directions, size, step = (np.concatenate(values) for values in zip(*parts, strict=True))
    # Four lists in order: merging them is cheaper than to sort anew.
    place = block.astype(np.int64)
    order = np.argsort(2 * place + (directions > 0), kind="stable")
    return Swings(place, directions, size, step).take(order)


@dataclass(frozen=True)
class _Reach:
    """Lengths in blocks."""

    rise: int
    near: int
    width: int

    @cached_property
    def margin(self) -> int:
        needed = self.near + 2 * self.rise + self.width + 1
        return -(-needed // PART_BLOCKS) * PART_BLOCKS


@dataclass(frozen=True, eq=False)
class _Near:
    """Stretches of blocks with a margin on either side, one after the other; only the core is judged.

    A place plus its shift is the block.
    """

    shift: NDArray[np.int32]
    core: NDArray[np.bool_]
    low: NDArray[np.float32]
    high: NDArray[np.float32]
    step: NDArray[np.float32]

    @classmethod
    def gather(
        cls, blocks: LevelBlocks, part: NDArray, reach: _Reach, looked: NDArray[np.bool_] | None = None
    ) -> _Near:
        mean, low, high = gather((blocks.mean, blocks.minimum, blocks.maximum), part, reach.margin)
        size = part[:, 1] - part[:, 0]
        away = np.full(size.size, reach.margin)
        core = np.repeat(np.tile([False, True, False], size.size), np.stack([away, size, away], axis=1).ravel())
        if looked is not None:
            core &= gather((looked,), part, reach.margin)[0]
        whole = size + 2 * reach.margin
        shift = np.repeat((part[:, 0] - reach.margin - np.cumsum(whole) + whole).astype(np.int32), whole)
        step = _steps(mean, part, blocks.mean.size, reach)
        return cls(shift, core, low, high, step)

    def largest(self, swing: NDArray) -> float:
        return max(float((swing * self.core).max()), 0.0)

    def swing(self, direction: int, reach: _Reach) -> NDArray[np.float32]:
        # Lowest level of the blocks before: window [i - rise, i], so the block itself when alone.
        swing = np.zeros_like(self.high)
        inner = slice(reach.rise, None)
        if direction > 0:
            np.subtract(self.high[inner], whole_windows(self.low, reach.rise + 1, np.minimum), out=swing[inner])
        else:
            np.subtract(whole_windows(self.high, reach.rise + 1, np.maximum), self.low[inner], out=swing[inner])
        return swing

    def dominant(self, swing: NDArray, limit: float, reach: _Reach) -> NDArray[np.int64]:
        # The first window begins at the first place.
        length = 2 * reach.rise + 1
        close = whole_windows(swing, length, np.maximum)
        inner = slice(reach.rise, swing.size - reach.rise)
        at = reach.rise + np.flatnonzero((swing[inner] == close) & (swing[inner] > limit) & self.core[inner])
        around = whole_windows(close, 2 * reach.near + 1, np.maximum, length)
        return at[swing.take(at) >= NEAR_SHARE * around.take(at - reach.near)]


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


def _steps(mean: NDArray, part: NDArray, m: int, reach: _Reach) -> NDArray[np.float32]:
    """Mean of the blocks from each on, less the mean of those before; 0 where there are none.

    Places nearer than the width to the ends of ``mean`` are not right, unless the record ends there.
    """
    n, width, margin = mean.size, reach.width, reach.margin
    sums = _window_sums(mean, width)
    result = np.zeros(n, dtype=np.float32)
    inner = result[width : n - width + 1]
    np.subtract(sums[width:], sums[:-width], out=inner)
    inner *= np.float32(1.0 / width)
    wide = part + np.array([-margin, margin])
    size = wide[:, 1] - wide[:, 0]
    zero = np.cumsum(size) - size - wide[:, 0]
    # Shorter windows at the ends of the record.
    for row in np.flatnonzero((wide[:, 0] <= 0) | (wide[:, 1] >= m)):
        first, last = wide[row].tolist()
        at = int(zero[row])
        if first <= 0:
            result[at + first : at + 1] = 0.0
        short = [*range(max(first, 1), min(width, m, last))] if first <= 0 else []
        for block in [*short, *(range(max(m - width + 1, first + width, 1), m) if last >= m else [])]:
            place = at + block
            behind, ahead = mean[place : place + min(width, m - block)], mean[place - min(width, block) : place]
            result[place] = behind.mean(dtype=np.float64) - ahead.mean(dtype=np.float64)
    return result


def _window_sums(values: NDArray[np.float32], width: int) -> NDArray[np.float32]:
    """Sums of ``width`` neighbours, by doubling: equal neighbours give equal sums wherever they stand."""
    done, length, part = 0, 1, values
    result = np.zeros(1, dtype=np.float32)
    while length <= width:
        if width & length:
            result = part if done == 0 else result[: part.size - done] + part[done:]
            done += length
        part = part[:-length] + part[length:]
        length *= 2
    return result
