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
#: Features of each bin: mean, highest, lowest level against the largest excursion; mean against the largest
#: lasting one; scatter within the blocks.
PER_BIN = 5
#: Features beside those of the bins.
GLOBAL_FEATURES = (
    "size_to_largest", "scale_to_usual", "noise_to_scale", "log_rate", "before_share", "after_share",
    "lasting_to_scale", "noise_to_lasting", "records_lasting",
)  # fmt: skip
FEATURE_COUNT = PER_BIN * (len(EDGES_MS) - 1) + len(GLOBAL_FEATURES)
#: The features that draw the shape of the swing: mean levels against the largest lasting one.
SHAPE = slice(3 * (len(EDGES_MS) - 1), 4 * (len(EDGES_MS) - 1))
#: Swings described at a time (our choice; the arrays stay in the cache).
AT_ONCE = 256


def candidate_features(
    blocks: BlockSummary, baseline: NDArray, sample_rate_Hz: float, noise: float, swings: Swings
) -> NDArray[np.float32]:
    """Describe each swing by the levels of time bins around it.

    Levels are taken from the settled level, turned so that the swing goes up, divided by a local scale and
    compressed by asinh. Two scales: the largest excursion within the window, and the largest that lasts three
    blocks, which single impulses do not spoil.

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
    ndarray of float32, shape (n, FEATURE_COUNT)
        Finite; what is off the record is 0.
    """
    rate = sample_rate_Hz / blocks.length
    m = blocks.mean.size
    n = swings.block.size
    result = np.zeros((n, FEATURE_COUNT), dtype=np.float32)
    if n == 0:
        return result
    edges = np.round(np.asarray(EDGES_MS) * 1e-3 * rate).astype(np.int64)
    steps = np.arange(edges[0], max(edges[-1], edges[-2] + 1))
    bins = np.minimum(edges[:-1] - edges[0], steps.size - 1)
    sizes = np.maximum(np.diff(np.append(bins, steps.size)), 1)
    spans = [(int(first), int(first + size)) for first, size in zip(bins, sizes, strict=True)]
    largest = max(float(swings.size.max()), 1e-300)
    usual = max(float(np.quantile(swings.size, 0.9)), 1e-300)
    count = len(EDGES_MS) - 1
    # Off the record everything is 0: pad once instead of masking each window.
    left, right = int(max(-edges[0], 0)), int(steps[-1] + 1)
    mean = _padded(blocks.mean - baseline, left, right)
    top = _padded(blocks.maximum - baseline, left, right)
    low = _padded(blocks.minimum - baseline, left, right)
    scatter = _padded(np.sqrt(np.maximum(blocks.mean_square - blocks.mean**2, 0.0)), left, right)
    lasting = np.median(np.stack([mean[:-2], mean[1:-1], mean[2:]]), axis=0)
    lasting = np.abs(np.pad(lasting, 1))
    most = max(float(lasting.max()), 1e-300)
    for begin in range(0, n, AT_ONCE):
        part = slice(begin, min(begin + AT_ONCE, n))
        # Steps along the rows, swings along the columns: every reduction runs over neighbouring swings at once.
        where = swings.block[part] + (steps + left)[:, None]
        up = swings.direction[part, None] > 0
        high = _by_bin(np.maximum, top, where, spans)
        deep = _by_bin(np.minimum, low, where, spans)
        average = _by_bin(np.add, mean, where, spans) / sizes
        scale = np.maximum(np.maximum(high.max(axis=1), -deep.min(axis=1)), 1e-300)[:, None]
        lasts = np.maximum(lasting.take(where).max(axis=0), 1e-3 * scale[:, 0])[:, None]
        rough = _by_bin(np.add, scatter, where, spans) / sizes
        average = np.where(up, average, -average)
        here = result[part]
        for place, values in enumerate((
            average / scale, np.where(up, high, -deep) / scale, np.where(up, deep, -high) / scale, average / lasts,
            rough / lasts,
        )):  # fmt: skip
            here[:, place * count : (place + 1) * count] = np.arcsinh(10.0 * np.clip(values, -1e3, 1e3))
        rest = here[:, PER_BIN * count :]
        block = swings.block[part]
        rest[:, 0] = np.log10(np.maximum(swings.size[part] / largest, 1e-6))
        rest[:, 1] = np.log10(np.maximum(scale[:, 0] / usual, 1e-6))
        rest[:, 2] = np.log10(np.clip(noise / scale[:, 0], 1e-6, 1e3))
        rest[:, 3] = np.log10(sample_rate_Hz) - 5.0
        rest[:, 4] = np.minimum(block / max(left, 1), 1.0)
        rest[:, 5] = np.minimum((m - block) / max(right, 1), 1.0)
        rest[:, 6] = np.log10(lasts[:, 0] / scale[:, 0])
        rest[:, 7] = np.log10(np.clip(noise / lasts[:, 0], 1e-6, 1e3))
        rest[:, 8] = np.log10(np.clip(lasts[:, 0] / most, 1e-6, 1e6))
    return result


def _by_bin(of: np.ufunc, values: NDArray, where: NDArray, spans: list[tuple[int, int]]) -> NDArray[np.float64]:
    taken = values.take(where)
    return np.stack([of.reduce(taken[first:last], axis=0) for first, last in spans], axis=1)


def _padded(values: NDArray, left: int, right: int) -> NDArray[np.float64]:
    return np.pad(values, (left, right))
