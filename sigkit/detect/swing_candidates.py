"""Fast swings of the record that may be the switching-off of a coil."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sigkit.prepare.block_summary import BlockSummary
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
    size : ndarray of float64
        Channel units, positive.
    """

    block: NDArray[np.int64]
    direction: NDArray[np.int64]
    size: NDArray[np.float64]


def find_swings(blocks: BlockSummary, sample_rate_Hz: float) -> Swings:
    """Find the dominant swings of both directions: quick ones between extremes, and steps of the mean level.

    A spike shows as the one, a burn line that drowns in noise sample by sample as the other.

    Parameters
    ----------
    blocks : BlockSummary
    sample_rate_Hz : float
        Of the samples, hertz.

    Returns
    -------
    Swings
    """
    rate = sample_rate_Hz / blocks.length
    rise = max(1, round(RISE_S * rate))
    near = max(1, round(NEAR_S * rate))
    step = _steps(blocks.mean, max(1, round(STEP_S * rate)))
    spread = 1.4826 * float(np.median(np.abs(step))) if step.size else 0.0
    parts = []
    for direction in (1, -1):
        high = blocks.maximum if direction > 0 else -blocks.minimum
        low = blocks.minimum if direction > 0 else -blocks.maximum
        at = _quick(high, low, rise, near)
        rising = _largest(direction * step, STEP_SIGMA * spread, rise, near)
        # A step belongs to the quick swing beside it.
        if at.size and rising.size:
            place = np.searchsorted(at, rising)
            away = np.minimum(
                np.abs(rising - at[np.minimum(place, at.size - 1)]), np.abs(rising - at[np.maximum(place - 1, 0)])
            )
            rising = rising[away > rise]
        at = np.sort(np.concatenate([at, rising]))
        before = at[:, None] - np.arange(rise + 1)
        size = high[at] - low[np.maximum(before, 0)].min(axis=1) if at.size else np.zeros(0)
        parts.append((at, np.full(at.size, direction), np.maximum(size, 0.0)))
    block = np.concatenate([part[0] for part in parts])
    directions = np.concatenate([part[1] for part in parts])
    size = np.concatenate([part[2] for part in parts])
    order = np.lexsort((directions, block))
    return Swings(block[order].astype(np.int64), directions[order].astype(np.int64), size[order])


def _quick(high: NDArray, low: NDArray, rise: int, near: int) -> NDArray[np.int64]:
    # Lowest level of the blocks before: window [i - rise, i], so the block itself when alone.
    before = running_extreme(low, rise + 1, rise, np.minimum)
    swing = high - before
    usual = float(np.median(swing)) if swing.size else 0.0
    limit = max(USUAL_FACTOR * usual, LEAST_SHARE * float(swing.max(initial=0.0)))
    return _largest(swing, limit, rise, near)


def _largest(swing: NDArray, limit: float, rise: int, near: int) -> NDArray[np.int64]:
    if swing.size == 0:
        return np.zeros(0, dtype=np.int64)
    around = running_extreme(swing, 2 * near + 1, near, np.maximum)
    close = running_extreme(swing, 2 * rise + 1, rise, np.maximum)
    at = np.flatnonzero((swing > limit) & (swing >= NEAR_SHARE * around) & (swing == close))
    if at.size:
        at = at[np.concatenate([[True], np.diff(at) > rise])]
    return at


def _steps(mean: NDArray, width: int) -> NDArray[np.float64]:
    """Mean of the blocks from each on, less the mean of those before; 0 where there are none."""
    m = mean.size
    sums = np.concatenate([[0.0], np.cumsum(mean - (mean[0] if m else 0.0))])
    place = np.arange(m)
    after, before = np.minimum(place + width, m), np.maximum(place - width, 0)
    behind = (sums[after] - sums[place]) / np.maximum(after - place, 1)
    ahead = (sums[place] - sums[before]) / np.maximum(place - before, 1)
    return np.where(place > 0, behind - ahead, 0.0)
