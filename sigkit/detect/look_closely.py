"""Reduce a long record to blocks, closely only where it shows more than noise."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sigkit.detect.active_spans import quiet_limit, stand_out
from sigkit.detect.fine_blocks import Level
from sigkit.detect.level_blocks import SPAN_BLOCKS, LevelBlocks
from sigkit.detect.remove_ripple import find_tones, without_ripple
from sigkit.detect.walk_spans import look_at_others, span_widths, walk_spans
from sigkit.prepare.block_summary import block_length
from sigkit.prepare.channel_condition import QUIET_WINDOW_S, QUIET_WINDOWS, noise_of_windows, smallest_step
from sigkit.prepare.release_pages import release_pages
from sigkit.types.channel import Channel

#: Spans that stand for the record in medians (our choice: 10,240 blocks give a median to 1 %).
SAMPLED_SPANS = 512
#: Of these are read before pages of a memory map are given back (our choice: 128 MB at most).
SPANS_AT_ONCE = 64
#: A record is long from so many samples and spans on; below, all of it is looked at (our choice).
SHORTEST_BLOCK = 16
SHORTEST_SPANS = 2 * SAMPLED_SPANS
#: Stretches of a quiet record searched for a ripple, and their length in spans (our choice: 26 ms each).
RIPPLE_STRETCHES = 8
RIPPLE_SPANS = 26


def is_long(channel: Channel) -> bool:
    """Return whether a record is worth two looks."""
    length = block_length(channel.sample_rate_Hz)
    return length >= SHORTEST_BLOCK and len(channel) >= SHORTEST_SPANS * SPAN_BLOCKS * length


def look_closely(channel: Channel) -> tuple[LevelBlocks, float]:
    """Reduce a long record to blocks free of ripple.

    The first look takes the extremes of spans of 20 blocks. Where these tell firings from noise, only spans that
    show more than noise, and a sample of the others, are reduced block by block (`walk_spans`). Otherwise every span
    is.

    Parameters
    ----------
    channel : Channel
        At least one span long.

    Returns
    -------
    blocks : LevelBlocks
    noise : float
        Standard deviation of one sample, in the unit of the blocks.
    """
    stored = channel.samples
    # Many small parts are read below: slicing a memory map takes longer than reading them.
    channel = channel.with_(samples=np.asarray(stored))
    length = block_length(channel.sample_rate_Hz)
    rate = channel.sample_rate_Hz / length
    size = SPAN_BLOCKS * length
    spans = len(channel) // size
    sample = spread_spans(spans, SAMPLED_SPANS)
    low, high = _extremes_of(stored, size, sample)
    level = _level(channel, low, high)
    step = smallest_step(channel)
    limit = quiet_limit(span_widths(low, high), step / abs(channel.scale))
    starts = np.linspace(0, max(spans - RIPPLE_SPANS, 0), RIPPLE_STRETCHES).astype(np.int64)
    wanted = np.zeros(spans, dtype=bool)
    wanted[sample] = True
    for start in starts:
        wanted[start : start + RIPPLE_SPANS] = True
    walked = walk_spans(stored, length, level, wanted, limit)
    # On a dead lead there is nothing to look for.
    dead = walked.record_width == 0
    if not dead and not stand_out(walked.width, walked.record_width, limit):
        look_at_others(stored, length, level, walked)
    held, looked = walked.held, walked.looked
    means = held[2, : spans * SPAN_BLOCKS].reshape(spans, SPAN_BLOCKS)
    rippled = sum(bool(find_tones(means[start : start + RIPPLE_SPANS].ravel(), rate)) for start in starts)
    if not looked.all() and 2 * rippled >= RIPPLE_STRETCHES:
        look_at_others(stored, length, level, walked)
    runs = _runs(looked, held.shape[1])
    sampled = np.stack([sample, sample + 1], axis=1) * SPAN_BLOCKS
    unit = abs(channel.scale) * level.unit
    blocks = LevelBlocks(length, len(channel), unit, held[0], held[1], held[2], held[3], runs, sampled)
    noise = max(_noise(channel, blocks, sample), step / np.sqrt(12.0), 1e-300) / unit
    release_pages(stored)
    # A steady ripple shows in the stretches: they tell as much at a hundredth of the cost.
    if not looked.all() or not rippled:
        return blocks, noise
    tones = find_tones(blocks.mean, rate)
    for tone in tones:
        blocks.subtract(tone.first, tone.values())
    return blocks, without_ripple(noise, tones[0].amplitude if tones else 0.0)


def spread_spans(spans: int, count: int) -> NDArray[np.int64]:
    """Return up to ``count`` numbers below ``spans``, one in each of as many equal parts, at no steady distance.

    A steady distance would fall in step with an engine; the places within the parts follow the golden section.

    Examples
    --------
    >>> spread_spans(20, 4).tolist()
    [0, 8, 11, 19]
    >>> spread_spans(3, 5).tolist()
    [0, 1, 2]
    """
    if spans <= count:
        return np.arange(spans)
    part = np.arange(count)
    return np.floor((part + part * 0.6180339887498949 % 1.0) * (spans / count)).astype(np.int64)


def _extremes_of(samples: NDArray, size: int, spans: NDArray) -> tuple[NDArray, NDArray]:
    """Smallest and largest stored value of chosen spans."""
    rows = np.asarray(samples)[: samples.shape[0] // size * size].reshape(-1, size)
    parts = []
    for first in range(0, spans.size, SPANS_AT_ONCE):
        taken = rows[spans[first : first + SPANS_AT_ONCE]]
        parts.append((taken.min(axis=1), taken.max(axis=1)))
        # Far apart, each may bring in pages of 2 MB.
        release_pages(samples)
    low, high = zip(*parts, strict=True)
    return np.concatenate(low), np.concatenate(high)


def _level(channel: Channel, low: NDArray, high: NDArray) -> Level:
    """Level by the extremes of the sampled spans: about their middle, in steps of integers or else of their range."""
    middle = 0.5 * float(np.median(low.astype(np.float64) + high))
    sign = -1 if channel.scale < 0 else 1
    if channel.samples.dtype.kind in "iu":
        return Level(float(np.rint(middle)), 1.0, sign)
    return Level(middle, float(high.max()) - float(low.min()) or 1.0, sign)


def _runs(looked: NDArray[np.bool_], m: int) -> NDArray[np.int64]:
    # The blocks behind the last whole span are always looked at.
    ends = np.flatnonzero(np.diff(looked.astype(np.int8), prepend=0, append=0)).reshape(-1, 2) * SPAN_BLOCKS
    whole = looked.size * SPAN_BLOCKS
    if whole < m:
        if ends.size and ends[-1, 1] == whole:
            ends[-1, 1] = m
        else:
            ends = np.concatenate([ends, [[whole, m]]])
    return ends.astype(np.int64)


def _noise(channel: Channel, blocks: LevelBlocks, sample: NDArray) -> float:
    """Noise by windows beside the narrowest windows of the sampled spans (see `condition_channel`)."""
    per = min(max(1, round(QUIET_WINDOW_S * channel.sample_rate_Hz) // blocks.length), SPAN_BLOCKS // 2)
    first = (sample[:, None] * SPAN_BLOCKS + np.array([0, per])).ravel()
    rows = first[:, None] + np.arange(per)
    width = blocks.maximum[rows].max(axis=1) - blocks.minimum[rows].min(axis=1)
    narrow = np.argsort(width, kind="stable")[: max(1, width.size // 4)]
    # The narrow ones have a little too little noise: take the other window of their span.
    beside = np.sort(narrow ^ 1)
    chosen = first[beside[:: max(1, beside.size // QUIET_WINDOWS)][:QUIET_WINDOWS]] * blocks.length
    rows = channel.samples[chosen[:, None] + np.arange(per * blocks.length)]
    return noise_of_windows((rows.astype(np.float64) - channel.zero) * channel.scale)
