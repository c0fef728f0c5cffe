"""The detector on simulated engines, on transformed records, and on records without ignition."""

from __future__ import annotations

import numpy as np
import pytest

from sigkit.contracts.detector import Detector
from sigkit.detect.block_activity import BlockActivityDetector
from sigkit.score.match import match_events
from sigkit.types.capture import Capture
from sigkit.types.channel import Channel


def _true_positions(made, channel):
    rows = (made.truth["channel"] == channel.name) & ~made.truth["absent"]
    return np.round((made.truth["coil_off_s"][rows] - channel.start_s) * channel.sample_rate_Hz).astype(np.int64)


@pytest.mark.parametrize("engines", ["plug_engines", "shared_engines"])
def test_every_firing_of_sound_engines_is_found_with_its_polarity(engines, request):
    found = wanted = paired = 0
    for made in request.getfixturevalue(engines):
        for channel, firings in zip(
            made.capture.channels, BlockActivityDetector().detect(made.capture), strict=True
        ):
            true = _true_positions(made, channel)
            inside = (true >= 0) & (true < len(channel))
            pairs = match_events(true[inside], firings.position, round(1e-3 * channel.sample_rate_Hz))
            paired += pairs.first.size
            wanted += int(inside.sum())
            found += len(firings)
            rows = (made.truth["channel"] == channel.name) & ~made.truth["absent"]
            assert set(firings.polarity) == set(made.truth["polarity"][rows])
    assert wanted > 40
    assert paired == wanted == found


def test_turning_and_scaling_a_record_changes_signs_only(plug_engines):
    capture = plug_engines[0].capture
    plain = BlockActivityDetector().detect(capture)
    for factor in (-1.0, 1e-3, -40.0):
        turned = capture.with_(channels=tuple(c.with_(scale=c.scale * factor) for c in capture.channels))
        for before, after in zip(plain, BlockActivityDetector().detect(turned), strict=True):
            np.testing.assert_array_equal(before.position, after.position)
            np.testing.assert_array_equal(before.polarity * int(np.sign(factor)), after.polarity)
            np.testing.assert_array_equal(before.event, after.event)


def test_an_offset_changes_nothing(plug_engines):
    capture = plug_engines[0].capture
    shifted = capture.with_(channels=tuple(c.with_(zero=c.zero + 1000.0) for c in capture.channels))
    for before, after in zip(
        BlockActivityDetector().detect(capture), BlockActivityDetector().detect(shifted), strict=True
    ):
        np.testing.assert_array_equal(before.position, after.position)


def test_leads_that_fire_together_share_an_event(shared_engines):
    for made in shared_engines:
        found = BlockActivityDetector().detect(made.capture)
        by_channel = {channel.name: firings for channel, firings in zip(made.capture.channels, found, strict=True)}
        coils: dict[str, set[str]] = {}
        for channel in made.capture.channels:
            coils.setdefault(channel.coil, set()).add(channel.name)
        for members in coils.values():
            first, second = (set(by_channel[name].event.tolist()) for name in sorted(members))
            assert first == second


def _others():
    rng = np.random.default_rng(9)
    t = np.arange(200_000) / 2e5
    yield "white noise", rng.normal(size=t.size)
    yield "tone of 50 Hz", np.sin(2 * np.pi * 50 * t)
    yield "tone of 3 kHz", np.sin(2 * np.pi * 3e3 * t)
    yield "square wave", np.sign(np.sin(2 * np.pi * 40 * t))
    yield "narrow pulses", (np.mod(t * 25, 1) < 0.0025) * 5.0
    yield "sawtooth", np.mod(t * 50, 1)
    yield "random walk", np.cumsum(rng.normal(size=t.size))
    yield "heart-beat-like bumps", np.exp(-(((np.mod(t, 0.8) - 0.4) / 0.01) ** 2))
    yield "bursts of noise", rng.normal(size=t.size) * np.abs(np.sin(2 * np.pi * 3 * t)) ** 4
    yield "single impulses", (rng.random(t.size) < 1e-4) * 10.0 + rng.normal(size=t.size) * 0.01


@pytest.mark.parametrize(("name", "signal"), list(_others()), ids=[name for name, _ in _others()])
def test_records_without_ignition_give_no_firing(name, signal):
    found = BlockActivityDetector().detect(Capture(name, (Channel("1", signal, 2e5),)))[0]
    assert len(found) == 0


@pytest.mark.parametrize("samples", [np.zeros(1), np.zeros(15), np.zeros(5000), np.arange(40.0)])
def test_tiny_and_dead_records_give_no_firing(samples):
    assert len(BlockActivityDetector().detect(Capture("a", (Channel("1", samples, 1e5),)))[0]) == 0


def test_meets_the_contract():
    assert isinstance(BlockActivityDetector(), Detector)
