"""What a channel's own samples say of its recorder: noise, step size, limits of the range."""

from __future__ import annotations

from dataclasses import dataclass
from weakref import WeakKeyDictionary

import numpy as np
from numpy.typing import NDArray

from sigkit.prepare.block_summary import BlockSummary
from sigkit.types.channel import Channel

#: Windows read to judge the noise, at most, and their length in seconds (our choice).
QUIET_WINDOWS = 64
QUIET_WINDOW_S = 0.4e-3
#: So many windows make a record long (our choice).
MANY_WINDOWS = 60
#: A value is a limit of the range when it is reached by this many neighbouring samples (our choice).
CLIP_RUN = 3
#: Median absolute deviation to standard deviation of a normal distribution, 1 / 0.6745 (mathematics).
MAD_TO_SIGMA = 1.4826
#: Conditions of channels still in use, with the summary each was judged from.
_KNOWN: WeakKeyDictionary[Channel, tuple[BlockSummary, ChannelCondition]] = WeakKeyDictionary()


@dataclass(frozen=True)
class ChannelCondition:
    """Condition of a channel, in its own unit.

    Attributes
    ----------
    noise : float
        Standard deviation of the noise on one sample, quantisation included, never below step / sqrt(12).
    step : float
        Smallest step between stored values; 0 when it cannot be told.
    clip_low, clip_high : float
        Values at and beyond which samples are at the limit; -inf and inf when the limits are not reached.
    """

    noise: float
    step: float
    clip_low: float
    clip_high: float


def condition_channel(channel: Channel, blocks: BlockSummary) -> ChannelCondition:
    """Judge a channel from its quietest windows and its extremes.

    Parameters
    ----------
    channel : Channel
    blocks : BlockSummary
        Of the same channel.

    Returns
    -------
    ChannelCondition
    """
    known = _KNOWN.get(channel)
    if known is not None and known[0] is blocks:
        return known[1]
    step = smallest_step(channel)
    low, high = _limits(channel, blocks)
    result = ChannelCondition(max(_noise(channel, blocks), step / np.sqrt(12.0), 1e-300), step, low, high)
    _KNOWN[channel] = (blocks, result)
    return result


def smallest_step(channel: Channel) -> float:
    """Return the smallest step between stored values, in the unit of the channel; 0 when it cannot be told."""
    if np.issubdtype(channel.samples.dtype, np.integer):
        # A converter of fewer bits stored in wider integers leaves a common factor: look for it.
        part = _spread(channel, 20_000)
        return float(_common_step(np.unique(part))) * abs(channel.scale)
    values = np.unique(_spread(channel, 20_000).astype(np.float64))
    if values.size < 2:
        return 0.0
    gaps = np.diff(values)
    smallest = gaps[gaps > 1e-9 * max(np.ptp(values), 1e-300)]
    # Continuous data have nearly as many values as samples; then no step can be told.
    if smallest.size == 0 or values.size > 8_000:
        return 0.0
    return float(smallest.min()) * abs(channel.scale)


def _common_step(values: NDArray) -> int:
    if values.size < 2:
        return 1
    return int(np.gcd.reduce(np.diff(values.astype(np.int64))))


def _spread(channel: Channel, count: int) -> NDArray:
    """Return up to count samples in runs spread over the record."""
    n = len(channel)
    if n <= count:
        return np.asarray(channel.samples)
    run = 500
    starts = np.linspace(0, n - run, count // run).astype(np.int64)
    return np.concatenate([np.asarray(channel.samples[s : s + run]) for s in starts])


def _noise(channel: Channel, blocks: BlockSummary) -> float:
    window = max(32, round(QUIET_WINDOW_S * channel.sample_rate_Hz))
    per = max(1, window // blocks.length)
    m = blocks.count // (per * blocks.length)
    if m == 0:
        return float(np.std(np.diff(channel.values()))) / np.sqrt(2.0) if len(channel) > 2 else 0.0
    span = (
        blocks.maximum[: m * per].reshape(m, per).max(axis=1)
        - blocks.minimum[: m * per].reshape(m, per).min(axis=1)
    )
    # The quietest tenth would pick lucky windows at low noise; the lower quarter's middle is steadier.
    order = np.argsort(span, kind="stable")[: max(1, m // 4)]
    # Windows are chosen for their small span, so their own noise is a little too small: where there are many,
    # measure the windows beside them instead. In a short record those would hold the firing.
    beside = order
    if m >= MANY_WINDOWS:
        marked = np.zeros(m, dtype=bool)
        marked[np.maximum(order - 1, 0)] = marked[np.minimum(order + 1, m - 1)] = True
        beside = np.flatnonzero(marked)
    chosen = beside[:: max(1, beside.size // QUIET_WINDOWS)][:QUIET_WINDOWS]
    size = per * blocks.length
    rows = np.stack([channel.values(int(i) * size, int(i) * size + size) for i in chosen])
    return noise_of_windows(rows)


def noise_of_windows(rows: NDArray) -> float:
    """Return the standard deviation of the noise on one sample, a parabola taken off each window.

    Parameters
    ----------
    rows : ndarray, shape (windows, samples)
    """
    if rows.shape[1] < 8:
        return float(MAD_TO_SIGMA * np.median(np.abs(rows - np.median(rows)))) if rows.size > 3 else 0.0
    t = np.linspace(-1.0, 1.0, rows.shape[1])
    basis = np.stack([np.ones_like(t), t, t**2], axis=1)
    residual = rows.T - basis @ np.linalg.lstsq(basis, rows.T, rcond=None)[0]
    variance = (residual**2).sum(axis=0) / (rows.shape[1] - 3)
    return float(np.sqrt(np.median(variance)))


def _limits(channel: Channel, blocks: BlockSummary) -> tuple[float, float]:
    """Find values that several neighbouring samples share at the very top or bottom of the record."""
    top, bottom = float(blocks.maximum.max()), float(blocks.minimum.min())
    high = top if _stuck(channel, blocks, blocks.maximum, top) else np.inf
    low = bottom if _stuck(channel, blocks, blocks.minimum, bottom) else -np.inf
    if channel.full_scale is not None:
        span = channel.full_scale[1] - channel.full_scale[0]
        if top >= channel.full_scale[1] - 1e-3 * span:
            high = min(high, top)
        if bottom <= channel.full_scale[0] + 1e-3 * span:
            low = max(low, bottom)
    return low, high


def _stuck(channel: Channel, blocks: BlockSummary, extremes: NDArray, level: float) -> bool:
    where = np.flatnonzero(extremes == level)[:32]
    hits = 0
    for block in where:
        start = max(0, int(block) * blocks.length - CLIP_RUN)
        at_limit = channel.values(start, start + blocks.length + 2 * CLIP_RUN) == level
        runs = np.convolve(at_limit, np.ones(CLIP_RUN), mode="valid") if at_limit.size >= CLIP_RUN else [0]
        hits += int(np.max(runs) >= CLIP_RUN)
    if hits == 0:
        return False
    # A quiet coarse record also repeats its extreme; a limit is far from the middle of the record.
    centre = float(np.median(blocks.mean))
    reach = max(abs(blocks.maximum.max() - centre), abs(centre - blocks.minimum.min()))
    return bool(abs(level - centre) > 0.5 * reach)
