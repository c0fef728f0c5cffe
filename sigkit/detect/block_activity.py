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
#: Fewest samples in which a firing can be told (our choice).
FEWEST_SAMPLES = 16


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
        found = [_find(channel) for channel in capture.channels]
        events = number_events(
            [
                seconds_from_samples(one.position, channel.sample_rate_Hz, channel.start_s)
                for one, channel in zip(found, capture.channels, strict=True)
            ]
        )
        return [
            _firings(channel, one, event)
            for channel, one, event in zip(capture.channels, found, events, strict=True)
        ]


def _find(channel: Channel) -> _Found:
    nothing = _Found(np.zeros(0, dtype=np.int64), 0)
    if len(channel) < FEWEST_SAMPLES or channel.kind == "synchronising_pulse":
        return nothing
    blocks = summarise_blocks(channel)
    condition = condition_channel(channel, blocks)
    rate = channel.sample_rate_Hz
    if channel.kind == "coil_current":
        return _Found(*find_current_drops(blocks, rate, condition.noise))
    swings = find_swings(blocks, rate, condition.noise)
    if swings.block.size == 0:
        return nothing
    baseline = settled_level(blocks, rate)
    log_odds = judge_swings(candidate_features(blocks, baseline, rate, condition.noise, swings))
    rows, polarity = choose_firings(swings.block * blocks.length / rate, swings.direction, log_odds)
    position = np.minimum(swings.block[rows] * blocks.length + blocks.length // 2, blocks.count - 1)
    return _Found(position.astype(np.int64), polarity)


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
