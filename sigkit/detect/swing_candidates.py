"""Fast swings of the record that may be the switching-off of a coil."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sigkit.prepare.block_summary import BlockSummary

#: Time within which a firing line rises out of the dwell, seconds (our choice: a ring-up quarter period of
#: 60 us and the lag of a slow recorder, in blocks).
RISE_S = 0.15e-3
#: Least swing in standard deviations of one sample, and as a share of the record's largest (our choice).
LEAST_SIGMA = 8.0
LEAST_SHARE = 0.004
#: A swing counts when it is at least this share of the largest one of its direction within the time (our
#: choice: the swing of a waste spark against that at the end of its burn).
NEAR_SHARE = 0.2
NEAR_S = 0.8e-3


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


def find_swings(blocks: BlockSummary, sample_rate_Hz: float, noise: float) -> Swings:
    """Find the dominant swings of both directions.

    Parameters
    ----------
    blocks : BlockSummary
    sample_rate_Hz : float
        Of the samples, hertz.
    noise : float
        Standard deviation of one sample, channel units.

    Returns
    -------
    Swings
    """
    from scipy.ndimage import maximum_filter1d, minimum_filter1d

    rate = sample_rate_Hz / blocks.length
    rise = max(1, round(RISE_S * rate))
    near = max(1, round(NEAR_S * rate))
    parts = []
    for direction in (1, -1):
        high = blocks.maximum if direction > 0 else -blocks.minimum
        low = blocks.minimum if direction > 0 else -blocks.maximum
        # Lowest level of the blocks before: window [i - rise, i - 1], or the block itself when alone.
        before = minimum_filter1d(low, rise + 1, origin=rise - (rise + 1) // 2, mode="nearest")
        swing = high - before
        largest = float(swing.max(initial=0.0))
        limit = max(LEAST_SIGMA * noise, LEAST_SHARE * largest)
        around = maximum_filter1d(swing, 2 * near + 1, mode="nearest")
        close = maximum_filter1d(swing, 2 * rise + 1, mode="nearest")
        at = np.flatnonzero((swing > limit) & (swing >= NEAR_SHARE * around) & (swing == close))
        if at.size:
            at = at[np.concatenate([[True], np.diff(at) > rise])]
        parts.append((at, np.full(at.size, direction), swing[at]))
    block = np.concatenate([part[0] for part in parts])
    directions = np.concatenate([part[1] for part in parts])
    size = np.concatenate([part[2] for part in parts])
    order = np.lexsort((directions, block))
    return Swings(block[order].astype(np.int64), directions[order].astype(np.int64), size[order])
