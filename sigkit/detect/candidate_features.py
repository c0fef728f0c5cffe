"""What stands around a swing, in numbers that know neither unit nor scale, polarity nor sample rate."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sigkit.detect.swing_candidates import Swings
from sigkit.prepare.block_summary import BlockSummary

#: Edges of the time bins about the swing, milliseconds (our choice: finer near the swing; they span the
#: longest dwell and several repeat strikes).
EDGES_MS = (
    -10.0, -8.0, -6.0, -4.5, -3.5, -2.6, -1.9, -1.3, -0.85, -0.5, -0.3, -0.15, -0.05, 0.05, 0.15, 0.3, 0.5,
    0.8, 1.2, 1.7, 2.4, 3.3, 4.5, 6.0, 8.0, 10.0,
)  # fmt: skip
#: Features beside the three of each bin.
GLOBAL_FEATURES = ("size_to_largest", "scale_to_usual", "noise_to_scale", "log_rate", "before_share", "after_share")
FEATURE_COUNT = 3 * (len(EDGES_MS) - 1) + len(GLOBAL_FEATURES)


def candidate_features(
    blocks: BlockSummary, baseline: NDArray, sample_rate_Hz: float, noise: float, swings: Swings
) -> NDArray[np.float64]:
    """Describe each swing by the mean, highest and lowest level of time bins around it.

    Levels are taken from the settled level, turned so that the swing goes up, divided by a local scale
    (the largest excursion within the window) and compressed by asinh.

    Parameters
    ----------
    blocks : BlockSummary
    baseline : ndarray, shape (m,)
        Settled level of each block.
    sample_rate_Hz : float
    noise : float
        Standard deviation of one sample, channel units.
    swings : Swings
        n candidates.

    Returns
    -------
    ndarray of float64, shape (n, FEATURE_COUNT)
        Finite; what is off the record is 0.
    """
    rate = sample_rate_Hz / blocks.length
    m = blocks.mean.size
    n = swings.block.size
    result = np.zeros((n, FEATURE_COUNT))
    if n == 0:
        return result
    edges = np.round(np.asarray(EDGES_MS) * 1e-3 * rate).astype(np.int64)
    bins = edges[:-1] - edges[0]
    steps = np.arange(edges[0], max(edges[-1], edges[-2] + 1))
    largest = float(swings.size.max())
    usual = float(np.quantile(swings.size, 0.9))
    count = len(EDGES_MS) - 1
    for begin in range(0, n, 512):
        part = slice(begin, min(begin + 512, n))
        where = swings.block[part, None] + steps
        inside = (where >= 0) & (where < m)
        where = np.clip(where, 0, m - 1)
        sign = swings.direction[part, None]
        level = baseline[where]
        mean = np.where(inside, sign * (blocks.mean[where] - level), 0.0)
        top = np.where(inside, np.where(sign > 0, blocks.maximum[where] - level, level - blocks.minimum[where]), 0.0)
        low = np.where(inside, np.where(sign > 0, blocks.minimum[where] - level, level - blocks.maximum[where]), 0.0)
        scale = np.maximum(np.maximum(top, -low).max(axis=1), 1e-300)[:, None]
        safe = np.minimum(bins, steps.size - 1)
        sizes = np.diff(np.append(safe, steps.size))
        means = np.add.reduceat(mean, safe, axis=1) / np.maximum(sizes, 1)
        tops = np.maximum.reduceat(top, safe, axis=1)
        lows = np.minimum.reduceat(low, safe, axis=1)
        here = result[part]
        for place, values in enumerate((means, tops, lows)):
            here[:, place * count : (place + 1) * count] = np.arcsinh(10.0 * values / scale)
        rest = here[:, 3 * count :]
        rest[:, 0] = np.log10(np.maximum(swings.size[part] / largest, 1e-6))
        rest[:, 1] = np.log10(np.maximum(scale[:, 0] / max(usual, 1e-300), 1e-6))
        rest[:, 2] = np.log10(np.clip(noise / scale[:, 0], 1e-6, 1e3))
        rest[:, 3] = np.log10(sample_rate_Hz) - 5.0
        before = steps < 0
        rest[:, 4] = inside[:, before].mean(axis=1)
        rest[:, 5] = inside[:, ~before].mean(axis=1)
    return result
