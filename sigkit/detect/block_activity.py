"""The built-in detector: swings of the block summary, judged by what stands around them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sigkit.detect.candidate_features import candidate_features
from sigkit.detect.choose_firings import choose_firings
from sigkit.detect.current_drops import find_current_drops
from sigkit.detect.event_numbers import number_events
from sigkit.detect.swing_candidates import find_swings
from sigkit.detect.swing_network import judge_swings
from sigkit.prepare.block_summary import summarise_blocks
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


#: An event seen on another channel of the capture adds this to the log-odds of a swing at the same instant
#: (our choice, checked on simulated captures: it finds firings buried in noise and calls no crosstalk a firing).
SEEN_ELSEWHERE = 2.5
SAME_INSTANT_S = 0.25e-3


@dataclass(frozen=True, eq=False)
class _Judged:
    """Swings of one channel with their log-odds; or firings found otherwise, with ``polarity`` set."""

    position: NDArray[np.int64]
    direction: NDArray[np.int64]
    log_odds: NDArray[np.float64]


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

    def detect(self, capture: Capture) -> list[Firings]:
        """Return one `Firings` for each channel, in the order of ``capture.channels``."""
        judged = [_judge(channel) for channel in capture.channels]
        found = [_choose(one, channel, []) for one, channel in zip(judged, capture.channels, strict=True)]
        if sum(one.position.size > 0 for one in found) > 1:
            times = [_times(one, channel) for one, channel in zip(found, capture.channels, strict=True)]
            found = [
                _choose(one, channel, times[:k] + times[k + 1 :])
                for k, (one, channel) in enumerate(zip(judged, capture.channels, strict=True))
            ]
        events = number_events(
            [_times(one, channel) for one, channel in zip(found, capture.channels, strict=True)]
        )
        return [
            _firings(channel, one, event)
            for channel, one, event in zip(capture.channels, found, events, strict=True)
        ]


def _judge(channel: Channel) -> _Judged:
    none = np.zeros(0, dtype=np.int64)
    if len(channel) < FEWEST_SAMPLES or channel.kind == "synchronising_pulse":
        return _Judged(none, none, np.zeros(0))
    blocks = summarise_blocks(channel)
    condition = condition_channel(channel, blocks)
    rate = channel.sample_rate_Hz
    if channel.kind == "coil_current":
        position, sign = find_current_drops(blocks, rate, condition.noise)
        return _Judged(position, np.full(position.size, sign), np.full(position.size, SURE))
    swings = find_swings(blocks, rate, condition.noise)
    if swings.block.size == 0:
        return _Judged(none, none, np.zeros(0))
    baseline = settled_level(blocks, rate)
    log_odds = judge_swings(candidate_features(blocks, baseline, rate, condition.noise, swings))
    position = np.minimum(swings.block * blocks.length + blocks.length // 2, blocks.count - 1)
    return _Judged(position.astype(np.int64), swings.direction, log_odds)


def _choose(judged: _Judged, channel: Channel, elsewhere: list[NDArray]) -> _Found:
    log_odds = judged.log_odds.copy()
    times = seconds_from_samples(judged.position, channel.sample_rate_Hz, channel.start_s)
    seen = np.sort(np.concatenate(elsewhere)) if elsewhere else np.zeros(0)
    if seen.size and times.size:
        at = np.clip(np.searchsorted(seen, times), 1, max(seen.size - 1, 1))
        near = np.minimum(np.abs(seen[at - 1] - times), np.abs(seen[np.minimum(at, seen.size - 1)] - times))
        log_odds[near <= SAME_INSTANT_S] += SEEN_ELSEWHERE
    rows, polarity = choose_firings(times, judged.direction, log_odds)
    return _Found(judged.position[rows], polarity)


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
