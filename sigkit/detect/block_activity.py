"""The built-in detector: swings of the block summary, judged by what stands around them, then by their company."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sigkit.detect.candidate_features import FEATURE_COUNT, SHAPE, RecordScale, candidate_features
from sigkit.detect.choose_firings import choose_firings
from sigkit.detect.clear_swings import clear_swings
from sigkit.detect.company_features import CLIP, company_features
from sigkit.detect.current_drops import find_current_drops
from sigkit.detect.event_numbers import number_events
from sigkit.detect.glance_features import GLANCE_COUNT, glance_features
from sigkit.detect.judged_channel import JudgedChannel
from sigkit.detect.level_blocks import LevelBlocks
from sigkit.detect.look_closely import is_long, look_closely
from sigkit.detect.remove_ripple import remove_ripple, without_ripple
from sigkit.detect.remove_settled import remove_settled
from sigkit.detect.swing_candidates import Swings, find_swings
from sigkit.detect.swing_network import SWINGS_AT_ONCE, judge_company, judge_swings, worth_a_look
from sigkit.prepare.block_summary import BlockSummary, summarise_blocks
from sigkit.prepare.channel_condition import condition_channel
from sigkit.types.capture import Capture
from sigkit.types.channel import Channel
from sigkit.types.firings import Firings
from sigkit.units import seconds_from_samples

#: Window kept before and after the switching-off, seconds (our choice: longest dwell and a settled
#: stretch before it; several repeat strikes, burn and ring behind it).
BEFORE_S = 12e-3
AFTER_S = 14e-3
#: Log-odds of a fall of a coil current, which no network judges (our choice).
SURE = 8.0
#: Fewest samples in which a firing can be told (our choice).
FEWEST_SAMPLES = 64
#: A record this short is most likely a triggered sweep and holds a firing: its likeliest swing counts from these
#: log-odds on when no other does (our choice, checked on simulated sweeps).
SWEEP_S = 40e-3
SWEEP_LOG_ODDS = -2.0
#: A coil fires at least each 0.2 s at 600/min: on a record longer than this a firing is not alone, and one that is
#: counts from these log-odds on only (our choice).
LONG_S = 0.5
LONE_LOG_ODDS = 3.0
#: Swings below these log-odds are not looked at again (our choice: hardly one in 10,000 of them would be a firing).
HOPELESS = -12.0


@dataclass(frozen=True, eq=False)
class _Found:
    position: NDArray[np.int64]
    polarity: int


class BlockActivityDetector:
    """Find firings whatever their polarity, level, rate, depth, unit or scale.

    The record is reduced to blocks of 50 us, a long one closely only where it shows more than noise; every decision
    is taken on blocks at fixed places, so the answer does not depend on how the record is read.

    Examples
    --------
    >>> import numpy as np
    >>> from sigkit.types.capture import Capture
    >>> from sigkit.types.channel import Channel
    >>> noise = np.random.default_rng(1).normal(size=20_000)
    >>> len(BlockActivityDetector().detect(Capture("a", (Channel("1", noise, 1e5),)))[0])
    0
    """

    name = "block_activity"
    invariances = ("shift", "gain", "inversion", "offset")

    def detect(self, capture: Capture) -> list[Firings]:
        """Return one `Firings` for each channel, in the order of ``capture.channels``."""
        judged = [judge_channel(channel) for channel in capture.channels]
        company = company_features(judged)
        found = []
        for channel, one, features in zip(capture.channels, judged, company, strict=True):
            log_odds = one.log_odds
            if channel.kind != "coil_current":
                # What the first judge says is among what the second knows.
                log_odds = judge_company(features)
            rows, polarity = choose_firings(one.time_s, one.direction, log_odds)
            if not rows.size and one.stop_s - one.start_s < SWEEP_S and log_odds.max(initial=-CLIP) > SWEEP_LOG_ODDS:
                likeliest = int(log_odds.argmax())
                rows, polarity = np.array([likeliest]), int(one.direction[likeliest])
            if rows.size == 1 and one.stop_s - one.start_s > LONG_S and log_odds[rows[0]] < LONE_LOG_ODDS:
                rows, polarity = rows[:0], 0
            found.append(_Found(one.position[rows], polarity))
        events = number_events(
            [_times(one, channel) for one, channel in zip(found, capture.channels, strict=True)]
        )
        return [
            _firings(channel, one, event)
            for channel, one, event in zip(capture.channels, found, events, strict=True)
        ]


def judge_channel(channel: Channel) -> JudgedChannel:
    """Return the swings of one channel that may be a switching-off, each judged by what stands around it.

    Parameters
    ----------
    channel : Channel

    Returns
    -------
    JudgedChannel
    """
    if len(channel) < FEWEST_SAMPLES or channel.kind == "synchronising_pulse":
        return JudgedChannel.without_swings()
    if channel.kind != "coil_current" and is_long(channel):
        levels, noise = look_closely(channel)
        return judge_levels(levels, noise, channel.sample_rate_Hz, channel.start_s, glance=True)
    blocks = summarise_blocks(channel)
    noise = condition_channel(channel, blocks).noise
    step = abs(channel.scale) if channel.samples.dtype.kind in "iu" else 0.0
    return judge_blocks(blocks, noise, channel.sample_rate_Hz, channel.start_s, channel.kind, step)


def judge_blocks(
    blocks: BlockSummary, noise: float, sample_rate_Hz: float, start_s: float, kind: str, step: float = 0.0
) -> JudgedChannel:
    """Return the judged swings of a channel that is already reduced to blocks.

    ``step`` is that of stored integers in channel units, 0 when the samples are none.
    """
    stop_s = start_s + blocks.count / sample_rate_Hz
    if kind == "coil_current":
        position, sign = find_current_drops(blocks, sample_rate_Hz, noise)
        n = position.size
        return JudgedChannel(
            position, seconds_from_samples(position, sample_rate_Hz, start_s), np.full(n, sign), np.ones(n),
            np.full(n, SURE), np.zeros((n, SHAPE.stop - SHAPE.start), dtype=np.float32), start_s, stop_s,
        )  # fmt: skip
    levels, noise = _levelled(blocks, noise, sample_rate_Hz, step)
    return judge_levels(levels, noise, sample_rate_Hz, start_s)


def judge_levels(
    blocks: LevelBlocks, noise: float, sample_rate_Hz: float, start_s: float, *, glance: bool = False
) -> JudgedChannel:
    """Return the judged swings of blocks free of ripple; their settled level is taken off in place.

    With ``glance``, swings that are hopeless at a glance are passed over.
    """
    stop_s = start_s + blocks.count / sample_rate_Hz
    swings = find_swings(blocks, sample_rate_Hz)
    if swings.block.size == 0:
        return JudgedChannel.without_swings(start_s, stop_s)
    remove_settled(blocks, sample_rate_Hz)
    record_scale = RecordScale.of(blocks, noise, swings)
    rows, odds, shapes = [], [], []
    numbers = np.arange(swings.block.size)
    if glance:
        numbers = clear_swings(blocks, swings)
        worth = [
            worth_a_look(glance_features(blocks, sample_rate_Hz, record_scale, swings.take(part)))
            for part in _batches(numbers)
        ]
        numbers = numbers[np.concatenate(worth)]
        if numbers.size == 0:
            return JudgedChannel.without_swings(start_s, stop_s)
    for part in _batches(numbers):
        features = candidate_features(blocks, sample_rate_Hz, record_scale, swings.take(part))
        log_odds = judge_swings(features)
        kept = np.flatnonzero(log_odds > HOPELESS)
        rows.append(part[kept])
        odds.append(log_odds[kept])
        shapes.append(features[kept, SHAPE])
    kept_swings = swings.take(np.concatenate(rows))
    position = np.minimum(kept_swings.block * blocks.length + blocks.length // 2, blocks.count - 1).astype(np.int64)
    return JudgedChannel(
        position, seconds_from_samples(position, sample_rate_Hz, start_s), kept_swings.direction.astype(np.int64),
        kept_swings.size.astype(np.float64) * blocks.unit, np.concatenate(odds), np.concatenate(shapes),
        start_s, stop_s,
    )  # fmt: skip


@dataclass(frozen=True, eq=False)
class DescribedSwings:
    """Swings of a channel and what stands around them: shapes (n, FEATURE_COUNT) and (n, GLANCE_COUNT)."""

    swings: Swings
    features: NDArray[np.float32]
    glances: NDArray[np.float32]


def describe_blocks(blocks: BlockSummary, noise: float, sample_rate_Hz: float) -> DescribedSwings:
    """Return all swings of a channel that is already reduced to blocks, unjudged."""
    levels, noise = _levelled(blocks, noise, sample_rate_Hz)
    swings = find_swings(levels, sample_rate_Hz)
    if swings.block.size == 0:
        nothing = (np.zeros((0, count), dtype=np.float32) for count in (FEATURE_COUNT, GLANCE_COUNT))
        return DescribedSwings(swings, *nothing)
    remove_settled(levels, sample_rate_Hz)
    record_scale = RecordScale.of(levels, noise, swings)
    described = (of(levels, sample_rate_Hz, record_scale, swings) for of in (candidate_features, glance_features))
    return DescribedSwings(swings, *described)


def _batches(numbers: NDArray) -> Iterator[NDArray]:
    return (numbers[begin : begin + SWINGS_AT_ONCE] for begin in range(0, numbers.size, SWINGS_AT_ONCE))


def _levelled(
    blocks: BlockSummary, noise: float, sample_rate_Hz: float, step: float = 0.0
) -> tuple[LevelBlocks, float]:
    blocks, ripple = remove_ripple(blocks, sample_rate_Hz)
    levels = LevelBlocks.from_summary(blocks, step)
    return levels, without_ripple(noise, ripple) / levels.unit


def _times(found: _Found, channel: Channel) -> NDArray[np.float64]:
    return seconds_from_samples(found.position, channel.sample_rate_Hz, channel.start_s)


def _firings(channel: Channel, found: _Found, event: NDArray) -> Firings:
    before = round(BEFORE_S * channel.sample_rate_Hz)
    after = round(AFTER_S * channel.sample_rate_Hz)
    return Firings(
        channel.name,
        found.position,
        np.maximum(found.position - before, 0).astype(np.int64),
        np.minimum(found.position + after, len(channel)).astype(np.int64),
        np.full(found.position.size, found.polarity, dtype=np.int8),
        event,
    )
