"""What stands around a swing, in numbers that know neither unit nor scale, polarity nor sample rate."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sigkit.detect.level_blocks import PART_BLOCKS, LevelBlocks, gather, pieces, read_in_order
from sigkit.detect.swing_candidates import Swings

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
#: Swings described at a time (our choice: fewer cost more calls than the cache saves).
AT_ONCE = 384
#: Divisors are at least this, in the unit of the blocks (our choice: far below the step of any recorder).
LEAST = 1e-30


@dataclass(frozen=True)
class RecordScale:
    """What the record as a whole lends to the description of each swing, in the unit of the blocks.

    Attributes
    ----------
    largest, usual : float
        Largest swing, and the size that a tenth of the swings exceed.
    most : float
        Largest lasting distance from the settled level.
    noise : float
        Standard deviation of one sample.
    """

    largest: float
    usual: float
    most: float
    noise: float

    @classmethod
    def of(cls, blocks: LevelBlocks, noise: float, swings: Swings) -> RecordScale:
        """Return the scale of a record with at least one swing; levels count from the settled level."""
        most = LEAST
        for part in pieces(blocks.runs):
            # Some blocks more, so that all of a run have both neighbours; not so at the ends of the record.
            mean = gather((blocks.mean,), part, PART_BLOCKS)[0]
            lasting = np.abs(_middle(mean[:-2], mean[1:-1], mean[2:]))
            if part[0, 0] == 0:
                lasting[PART_BLOCKS - 1] = 0.0
            if part[-1, 1] == blocks.mean.size:
                lasting[-PART_BLOCKS] = 0.0
            size = part[:, 1] - part[:, 0]
            first = np.cumsum(size + 2 * PART_BLOCKS) - size - PART_BLOCKS - 1
            most = max(most, float(np.maximum.reduceat(lasting, np.stack([first, first + size], 1).ravel())[::2].max()))
        largest, usual = float(swings.size.max()), float(np.quantile(swings.size, 0.9))
        return cls(max(largest, LEAST), max(usual, LEAST), most, noise)


def candidate_features(
    blocks: LevelBlocks, sample_rate_Hz: float, record_scale: RecordScale, swings: Swings
) -> NDArray[np.float32]:
    """Describe each swing by the levels of time bins around it.

    Levels are turned so that the swing goes up, divided by a local scale and compressed by asinh. Two scales: the
    largest excursion within the window, and the largest that lasts three blocks, which single impulses do not spoil.

    Parameters
    ----------
    blocks : LevelBlocks
        Counted from the settled level.
    sample_rate_Hz : float
    record_scale : RecordScale
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
    count = len(EDGES_MS) - 1
    # A product with it gives the means of the bins.
    share = np.zeros((steps.size, count), dtype=np.float32)
    for row, (first, last) in enumerate(spans):
        share[first:last, row] = 1.0 / (last - first)
    left, right = int(max(-edges[0], 0)), int(steps[-1] + 1)
    room = np.empty((min(n, AT_ONCE), steps.size + 2), dtype=np.float32)
    columns = np.empty((steps.size, min(n, AT_ONCE)), dtype=np.float32)
    for begin in range(0, n, AT_ONCE):
        block = swings.block[begin : begin + AT_ONCE]
        size = swings.size[begin : begin + AT_ONCE]
        up = swings.direction[begin : begin + AT_ONCE, None] > 0
        # One block more on either side, for the lasting level at the ends.
        first = block + (steps[0] - 1)
        turned = columns[:, : block.size]
        window, work = _windows(blocks.mean, first, steps.size + 2), room[: block.size]
        # As one long list, without what spans two windows.
        long = window.ravel()
        _middle(long[:-2], long[1:-1], long[2:], work.ravel()[1:-1])
        lasting = work[:, 1:-1]
        lasts = np.maximum(lasting.max(axis=1), -lasting.min(axis=1))
        average = window[:, 1:-1] @ share
        rough = _windows(blocks.scatter, first, steps.size + 2)[:, 1:-1] @ share
        np.copyto(turned, _windows(blocks.maximum, first + 1, steps.size).T)
        high = _by_bin(np.maximum, turned, spans)
        np.copyto(turned, _windows(blocks.minimum, first + 1, steps.size).T)
        deep = _by_bin(np.minimum, turned, spans)
        scale = np.maximum(np.maximum(high.max(axis=1), -deep.min(axis=1)), LEAST)[:, None]
        lasts = np.maximum(lasts, 1e-3 * scale[:, 0])[:, None]
        average = np.where(up, average, -average)
        here = result[begin : begin + AT_ONCE]
        levels = here[:, : PER_BIN * count]
        for place, (values, divisor) in enumerate((
            (average, scale), (np.where(up, high, -deep), scale), (np.where(up, deep, -high), scale), (average, lasts),
            (rough, lasts),
        )):  # fmt: skip
            np.divide(values, divisor, out=levels[:, place * count : (place + 1) * count])
        np.clip(levels, -1e3, 1e3, out=levels)
        levels *= 10.0
        np.arcsinh(levels, out=levels)
        rest = here[:, PER_BIN * count :]
        rest[:, 0] = np.log10(np.maximum(size / record_scale.largest, 1e-6))
        rest[:, 1] = np.log10(np.maximum(scale[:, 0] / record_scale.usual, 1e-6))
        rest[:, 2] = np.log10(np.clip(record_scale.noise / scale[:, 0], 1e-6, 1e3))
        rest[:, 3] = np.log10(sample_rate_Hz) - 5.0
        rest[:, 4] = np.minimum(block / max(left, 1), 1.0)
        rest[:, 5] = np.minimum((m - block) / max(right, 1), 1.0)
        rest[:, 6] = np.log10(lasts[:, 0] / scale[:, 0])
        rest[:, 7] = np.log10(np.clip(record_scale.noise / lasts[:, 0], 1e-6, 1e3))
        rest[:, 8] = np.log10(np.clip(lasts[:, 0] / record_scale.most, 1e-6, 1e6))
    return result


def _by_bin(of: np.ufunc, values: NDArray, spans: list[tuple[int, int]]) -> NDArray[np.float32]:
    result = np.empty((len(spans), values.shape[1]), dtype=np.float32)
    for row, (first, last) in enumerate(spans):
        of.reduce(values[first:last], axis=0, out=result[row])
    return result.T


def _middle(one: NDArray, two: NDArray, three: NDArray, out: NDArray | None = None) -> NDArray:
    """Median of three, number by number."""
    result = np.minimum(np.maximum(one, two), three, out=out)
    return np.maximum(result, np.minimum(one, two), out=result)


def _windows(values: NDArray, first: NDArray, size: int) -> NDArray[np.float32]:
    """Return windows that begin at ``first``, in rows. Off the record everything is 0."""
    m = values.size
    inside = (first >= 0) & (first + size <= m)
    if inside.all():
        read_in_order(values, int(first[0]), int(first[-1]) + size, first.size * size)
        return np.lib.stride_tricks.sliding_window_view(values, size)[first]
    rows = np.empty((first.size, size), dtype=np.float32)
    # Only the blocks in reach of swings near an end are copied, with what is off the record.
    rows[inside] = np.lib.stride_tricks.sliding_window_view(values, size)[first[inside]] if inside.any() else 0.0
    for outside in (np.flatnonzero(first < 0), np.flatnonzero((first >= 0) & ~inside)):
        if outside.size:
            begin, end = int(first[outside[0]]), int(first[outside[-1]]) + size
            near = np.zeros(end - begin, dtype=np.float32)
            near[max(-begin, 0) : min(end, m) - begin] = values[max(begin, 0) : min(end, m)]
            rows[outside] = np.lib.stride_tricks.sliding_window_view(near, size)[first[outside] - begin]
    return rows
