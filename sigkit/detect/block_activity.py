"""The built-in detector: swings of the block summary, judged by what stands around them, then by their company."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sigkit.detect.candidate_features import SHAPE, candidate_features
from sigkit.detect.choose_firings import choose_firings
from sigkit.detect.company_features import CLIP, company_features
from sigkit.detect.current_drops import find_current_drops
from sigkit.detect.event_numbers import number_events
from sigkit.detect.judged_channel import JudgedChannel
from sigkit.detect.remove_ripple import remove_ripple
from sigkit.detect.swing_candidates import Swings, find_swings
from sigkit.detect.swing_network import judge_company, judge_swings
from sigkit.prepare.block_summary import BlockSummary, summarise_blocks
from sigkit.prepare.channel_condition import condition_channel
from sigkit.prepare.settled_level import settled_level
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

    One streaming pass reduces the record to blocks of 50 us; every decision is taken on blocks, so the
    answer does not depend on how the record is read.

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
                # Both judges have a say: each alone misses what the other finds.
                log_odds = 0.5 * (np.clip(log_odds, -CLIP, CLIP) + judge_company(features))
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
    blocks = summarise_blocks(channel)
    noise = condition_channel(channel, blocks).noise
    return judge_blocks(blocks, noise, channel.sample_rate_Hz, channel.start_s, channel.kind)


def judge_blocks(
    blocks: BlockSummary, noise: float, sample_rate_Hz: float, start_s: float, kind: str
) -> JudgedChannel:
    """Return the judged swings of a channel that is already reduced to blocks."""
    stop_s = start_s + blocks.count / sample_rate_Hz
    if kind == "coil_current":
        position, sign = find_current_drops(blocks, sample_rate_Hz, noise)
        n = position.size
        return JudgedChannel(
            position, seconds_from_samples(position, sample_rate_Hz, start_s), np.full(n, sign), np.ones(n),
            np.full(n, SURE), np.zeros((n, SHAPE.stop - SHAPE.start), dtype=np.float32), start_s, stop_s,
        )  # fmt: skip
    described = describe_blocks(blocks, noise, sample_rate_Hz)
    swings, features = described.swings, described.features
    if swings.block.size == 0:
        return JudgedChannel.without_swings(start_s, stop_s)
    position = np.minimum(swings.block * blocks.length + blocks.length // 2, blocks.count - 1).astype(np.int64)
    judged = JudgedChannel(
        position, seconds_from_samples(position, sample_rate_Hz, start_s), swings.direction, swings.size,
        judge_swings(features), features[:, SHAPE], start_s, stop_s,
    )  # fmt: skip
    return judged.take(np.flatnonzero(judged.log_odds > HOPELESS))


@dataclass(frozen=True, eq=False)
class DescribedSwings:
    """Swings of a channel and, shape (n, FEATURE_COUNT), what stands around them."""

    swings: Swings
    features: NDArray[np.float32]


def describe_blocks(blocks: BlockSummary, noise: float, sample_rate_Hz: float) -> DescribedSwings:
    """Return all swings of a channel that is already reduced to blocks, unjudged."""
    blocks, ripple = remove_ripple(blocks, sample_rate_Hz)
    # Ripple is in the noise as measured, as the root mean square of a tone; something is left of noise in any case.
    noise = float(np.sqrt(max(noise**2 - 0.5 * ripple**2, (0.3 * noise) ** 2)))
    swings = find_swings(blocks, sample_rate_Hz)
    baseline = settled_level(blocks, sample_rate_Hz)
    return DescribedSwings(swings, candidate_features(blocks, baseline, sample_rate_Hz, noise, swings))


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
