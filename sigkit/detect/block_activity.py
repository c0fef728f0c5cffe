"""The built-in detector: firings by tall, isolated, fast excursions in the block summary."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sigkit.detect.crosstalk import own_firings
from sigkit.detect.current_drops import find_current_drops
from sigkit.detect.event_numbers import number_events
from sigkit.detect.firing_candidates import find_candidates, first_discharges, running_baseline
from sigkit.detect.firing_shape import looks_like_firing
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


@dataclass(frozen=True, eq=False)
class _Found:
    """Firings of one channel before the channels are compared."""

    position: NDArray[np.int64]
    height: NDArray[np.float64]
    polarity: int
    usual_height: float


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
        times = [
            seconds_from_samples(one.position, channel.sample_rate_Hz, channel.start_s)
            for one, channel in zip(found, capture.channels, strict=True)
        ]
        own = own_firings(
            times,
            [one.height for one in found],
            [one.usual_height for one in found],
            [channel.kind for channel in capture.channels],
        )
        found = [_take(one, keep) for one, keep in zip(found, own, strict=True)]
        times = [t[keep] for t, keep in zip(times, own, strict=True)]
        events = number_events(times)
        return [
            _firings(channel, one, event)
            for channel, one, event in zip(capture.channels, found, events, strict=True)
        ]


def _find(channel: Channel) -> _Found:
    nothing = _Found(np.zeros(0, dtype=np.int64), np.zeros(0), 0, 0.0)
    if len(channel) < 16 or channel.kind == "synchronising_pulse":
        return nothing
    blocks = summarise_blocks(channel)
    condition = condition_channel(channel, blocks)
    baseline = running_baseline(blocks, channel.sample_rate_Hz)
    if channel.kind == "coil_current":
        position, height, sign = find_current_drops(blocks, channel.sample_rate_Hz, condition.noise)
        return _Found(position, height, sign, float(np.median(height)) if height.size else 0.0)
    answers = [
        _of_polarity(blocks, channel.sample_rate_Hz, condition.noise, sign, baseline) for sign in (-1, 1)
    ]
    # The firing line is the tallest thing on a lead; its sign is the one that reaches higher.
    taller = max(answers, key=lambda one: (one.position.size > 0, one.usual_height))
    return taller if taller.position.size else nothing


def _of_polarity(blocks: BlockSummary, rate_Hz: float, noise: float, sign: int, baseline: NDArray) -> _Found:
    candidates = find_candidates(blocks, rate_Hz, noise, sign, baseline)
    onset, height = first_discharges(candidates, blocks, baseline, rate_Hz)
    if onset.size:
        keep = looks_like_firing(blocks, baseline, rate_Hz, noise, sign, onset, height)
        onset, height = onset[keep], height[keep]
    position = np.minimum(onset * blocks.length + blocks.length // 2, blocks.count - 1)
    return _Found(position.astype(np.int64), height, sign, candidates.usual_height)


def _take(found: _Found, keep: NDArray) -> _Found:
    return _Found(found.position[keep], found.height[keep], found.polarity, found.usual_height)


def _firings(channel: Channel, found: _Found, event: NDArray) -> Firings:
    n = len(channel)
    before = round(BEFORE_S * channel.sample_rate_Hz)
    after = round(AFTER_S * channel.sample_rate_Hz)
    start = np.maximum(found.position - before, 0)
    stop = np.minimum(found.position + after, n)
    return Firings(
        channel.name,
        found.position,
        start.astype(np.int64),
        stop.astype(np.int64),
        np.full(found.position.size, found.polarity, dtype=np.int8),
        event,
    )
