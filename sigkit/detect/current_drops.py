"""Where a coil-current channel shows a switching-off: a fast fall behind a ramp."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sigkit.prepare.block_summary import BlockSummary

#: Least ramp before the fall, and time the current must stay low behind it, seconds (our choice).
RAMP_S = 0.4e-3
#: Slices in which the largest current is taken, seconds (our choice).
SLICE_S = 30e-3
REST_S = 0.3e-3


def find_current_drops(
    blocks: BlockSummary, sample_rate_Hz: float, noise: float
) -> tuple[NDArray[np.int64], int]:
    """Find the falls of a coil current.

    Returns
    -------
    position : ndarray of int64
        Sample of each fall, ascending.
    sign : int
        Sign of the current as recorded, 0 when there is none.
    """
    rate = sample_rate_Hz / blocks.length
    ramp, rest = max(2, round(RAMP_S * rate)), max(2, round(REST_S * rate))
    mean = blocks.mean
    if mean.size < ramp + rest + 3:
        return np.zeros(0, dtype=np.int64), 0
    # The current rests most of the time, or swings from there to one side: the side of the larger excursions.
    middle = float(np.median(mean))
    per = max(1, round(SLICE_S * rate))
    count = max(1, mean.size // per)
    slices = (mean[: count * per] if mean.size >= per else mean).reshape(count, -1)
    above, below = np.median(slices.max(axis=1)) - middle, middle - np.median(slices.min(axis=1))
    top, bottom = float(mean.max()) - middle, middle - float(mean.min())
    sign = 1 if above + 0.01 * top >= below + 0.01 * bottom else -1
    reach = slices.max(axis=1) - middle if sign > 0 else middle - slices.min(axis=1)
    level = sign * (mean - middle)
    span = float(np.median(reach[reach > 0.3 * reach.max()])) if reach.max() > 0 else 0.0
    if span < 8 * noise:
        return np.zeros(0, dtype=np.int64), 0
    drop = level[:-2] - level[2:]
    centre = np.flatnonzero((drop > 0.25 * span) & (drop >= np.roll(drop, 1)) & (drop > np.roll(drop, -1))) + 1
    centre = centre[(centre > 2) & (centre + rest < level.size)]
    if centre.size == 0:
        return np.zeros(0, dtype=np.int64), sign
    before = level[np.maximum(centre - 1, 0)]
    after = np.stack([level[np.minimum(centre + 1 + k, level.size - 1)] for k in range(rest)]).max(axis=0)
    good = after < 0.3 * before
    centre = centre[good]
    if centre.size:
        apart = np.concatenate([[True], np.diff(centre) / rate > 6e-3])
        centre = centre[apart]
    return (centre * blocks.length).astype(np.int64), sign
