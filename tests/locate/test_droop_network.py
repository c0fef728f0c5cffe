"""The droop rate told by the locator, against high-passed drawings (closed form: a step sinks as exp(-t / tau))."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import lfilter

from sigkit.locate.rough_windows import LEAST_DROOP, rough_windows
from sigkit.prepare.block_summary import summarise_blocks
from sigkit.prepare.channel_condition import condition_channel
from sigkit.prepare.settled_level import settled_level
from sigkit.simulate.simulated_capture import iterate_captures
from sigkit.simulate.study_recipe import StudyRecipe
from sigkit.types.channel import Channel
from sigkit.types.firings import Firings

RATE_HZ = 500e3


def _rate(time_constant_s: float) -> float:
    """Tell the droop of five firings with dwell, firing line, burn line and ring behind a first-order high-pass."""
    t = np.arange(int(200e-3 * RATE_HZ)) / RATE_HZ
    y = np.zeros(t.size)
    starts = 20e-3 + 38e-3 * np.arange(5)
    for start in starts:
        since = t - start
        y += np.where((since > -4e-3) & (since < 0), -0.3 * np.exp(-(since + 4e-3) / 6e-3), 0.0)
        y += np.where((since > 0) & (since < 10e-6), 8.0, 0.0) + np.where((since >= 10e-6) & (since < 1.3e-3), 1.0, 0.0)
        behind = np.maximum(since - 1.3e-3, 0.0)
        y += np.where(behind > 0, np.exp(-behind / 0.3e-3) * np.cos(2 * np.pi * 3e3 * behind), 0.0)
    if np.isfinite(time_constant_s):
        keep = np.exp(-1 / (RATE_HZ * time_constant_s))
        y = lfilter([1.0, -1.0], [1.0, -keep], y)
    y += np.random.default_rng(3).normal(0.0, 0.005, y.size)
    channel = Channel("1", y, RATE_HZ, kind="secondary_voltage")
    at = np.round(starts * RATE_HZ).astype(np.int64)
    firings = Firings("1", at, at - 100, at + 2000, np.ones(5, dtype=np.int8), np.arange(5))
    condition = condition_channel(channel, summarise_blocks(channel))
    return rough_windows(channel, firings, condition, np.zeros(5)).droop_rate


def test_a_pickup_that_passes_zero_frequency_has_no_droop():
    assert _rate(np.inf) == 0.0
    assert _rate(50e-3) == 0.0


@pytest.mark.parametrize("time_constant_s", [0.1e-3, 0.3e-3])
def test_a_short_time_constant_is_seen_on_a_drawing(time_constant_s):
    assert _rate(time_constant_s) > LEAST_DROOP


@pytest.mark.parametrize("time_constant_s", [0.1e-3, 0.3e-3, np.inf])
def test_the_rate_of_simulated_pickups(time_constant_s):
    recipe = StudyRecipe(
        engines=6, firings_per_lead=3, pickup_time_constant_s=time_constant_s, sample_rates_Hz=(200e3, 500e3),
        recordings=("continuous",), channel_sets=("secondary",),
    )  # fmt: skip
    ratios = []
    for made in iterate_captures(recipe, np.random.SeedSequence([8, 1])):
        for channel in made.capture.channels:
            own = (made.truth["channel"] == channel.name) & made.truth["measurable"]
            at = np.round((made.truth["coil_off_s"][own] - channel.start_s) * channel.sample_rate_Hz).astype(np.int64)
            if at.size == 0:
                continue
            polarity = made.truth["polarity"][own].astype(np.int8)
            firings = Firings(channel.name, at, at - 100, at + 2000, polarity, np.arange(at.size))
            blocks = summarise_blocks(channel)
            level = settled_level(blocks, channel.sample_rate_Hz)[at // blocks.length]
            found = rough_windows(channel, firings, condition_channel(channel, blocks), level).droop_rate
            ratios.append(found * time_constant_s if np.isfinite(time_constant_s) else found)
    assert len(ratios) >= 6
    if np.isfinite(time_constant_s):
        # On 240 engines nine in ten were within a factor of two.
        with np.errstate(divide="ignore"):  # no droop told is infinitely wrong
            assert np.median(np.abs(np.log(ratios))) < np.log(2.0)
    else:
        assert max(ratios) == 0.0
