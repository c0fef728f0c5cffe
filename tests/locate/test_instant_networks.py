"""The locator on simulated engines and under the laws it must obey."""

from __future__ import annotations

import numpy as np
import pytest

from sigkit.contracts.locator import Locator
from sigkit.detect.block_activity import BlockActivityDetector
from sigkit.locate.instant_networks import InstantNetworksLocator
from sigkit.types.channel import Channel
from sigkit.types.firings import Firings
from sigkit.types.flags import MISSING_REASONS, OK


def _located(made):
    for channel, firings in zip(made.capture.channels, BlockActivityDetector().detect(made.capture), strict=True):
        yield channel, firings, InstantNetworksLocator().locate(channel, firings)


def _matched(made):
    """Rows of the located firings beside their rows of the truth, measurable sparks only."""
    truth = made.truth
    for channel, firings, found in _located(made):
        time_s = firings.position / channel.sample_rate_Hz + channel.start_s
        for row in range(len(firings)):
            known = np.flatnonzero((truth["channel"] == channel.name) & truth["measurable"].astype(bool))
            near = known[np.abs(truth["coil_off_s"][known] - time_s[row]) < 1e-3]
            if near.size and truth["sparked"][near[0]] == "yes":
                yield channel, found, row, {name: truth[name][near[0]] for name in truth}


@pytest.mark.parametrize("engines", ["plug_engines", "shared_engines"])
def test_burn_times_of_sound_engines_are_right_in_the_median(engines, request):
    errors, answered, wanted = [], 0, 0
    for made in request.getfixturevalue(engines):
        for channel, found, row, truth in _matched(made):
            wanted += 1
            burn_s = (found.burn_end.position[row] - found.breakdown.position[row]) / channel.sample_rate_Hz
            if np.isfinite(burn_s):
                answered += 1
                errors.append(burn_s - truth["burn_time_ms"] * 1e-3)
    assert wanted > 40
    assert answered >= 0.97 * wanted
    assert np.median(np.abs(errors)) < 2e-6
    assert np.quantile(np.abs(errors), 0.8) < 6e-6


@pytest.mark.parametrize("instant", ["coil_off", "breakdown", "burn_end"])
def test_stated_intervals_hold_the_true_instants(instant, sound_engines):
    inside = []
    # Errors go by engine.
    for made in sound_engines:
        for channel, found, row, truth in _matched(made):
            true = (truth[f"{instant}_s"] - channel.start_s) * channel.sample_rate_Hz
            one = getattr(found, instant)
            if np.isfinite(one.position[row]):
                inside.append(one.lo[row] <= true <= one.hi[row])
    assert len(inside) > 150
    # Stated: 95 of 100; a dozen engines scatter about that.
    assert np.mean(inside) > 0.85


def test_turning_a_record_moves_no_instant(plug_engines):
    made = plug_engines[0]
    channel = made.capture.channels[0]
    firings = BlockActivityDetector().detect(made.capture)[0]
    turned = Firings(firings.channel, firings.position, firings.start, firings.stop, -firings.polarity, firings.event)
    plain = InstantNetworksLocator().locate(channel, firings)
    other = InstantNetworksLocator().locate(channel.with_(scale=-3.0 * channel.scale), turned)
    for name in ("coil_on", "coil_off", "breakdown", "burn_end"):
        np.testing.assert_allclose(getattr(plain, name).position, getattr(other, name).position, atol=1e-6)
    np.testing.assert_array_equal(plain.sparked, other.sparked)


def test_a_shift_in_time_shifts_every_instant_by_as_much(plug_engines):
    made = plug_engines[0]
    channel = made.capture.channels[1]
    firings = BlockActivityDetector().detect(made.capture)[1]
    pad = 1000
    samples = np.concatenate([np.repeat(channel.samples[:1], pad), channel.samples])
    longer = channel.with_(samples=samples)
    moved = Firings(firings.channel, firings.position + pad, firings.start, firings.stop, firings.polarity,
                    firings.event)  # fmt: skip
    plain, later = InstantNetworksLocator().locate(channel, firings), InstantNetworksLocator().locate(longer, moved)
    np.testing.assert_allclose(plain.breakdown.position + pad, later.breakdown.position, atol=0.02)


def test_flags_and_numbers_agree(plug_engines):
    for _, firings, found in _located(plug_engines[1]):
        assert len(found) == len(firings)
        for name in ("coil_on", "coil_off", "breakdown", "burn_end"):
            instant = getattr(found, name)
            np.testing.assert_array_equal(instant.flag == OK, np.isfinite(instant.position))
            known = np.isfinite(instant.position)
            assert np.all(instant.u[known] > 0)
            assert np.all(instant.lo[known] <= instant.position[known])
            assert np.all(instant.hi[known] >= instant.position[known])
            assert all(flag.removeprefix("missing:") in MISSING_REASONS for flag in instant.flag if flag != OK)


def test_intervals_begin_at_breakdown_and_end_at_burn_end(plug_engines):
    for _, _, found in _located(plug_engines[0]):
        rows = np.unique(found.intervals.firing)
        for row in rows:
            own = found.intervals.firing == row
            assert found.intervals.start[own].min() == found.breakdown.position[row]
            assert found.intervals.stop[own].max() == found.burn_end.position[row]


def test_a_synchronising_pulse_has_no_instants():
    channel = Channel("s", np.zeros(100), 1e5, kind="synchronising_pulse")
    one = np.array([50])
    found = InstantNetworksLocator().locate(channel, Firings("s", one, one, one, np.ones(1, np.int8), one))
    assert set(found.breakdown.flag) == {"missing:wrong_channel"}


def test_no_firings_give_no_instants():
    none = np.zeros(0, dtype=np.int64)
    silent = Channel("1", np.zeros(100), 1e5)
    found = InstantNetworksLocator().locate(silent, Firings("1", none, none, none, none, none))
    assert len(found) == 0
    assert isinstance(InstantNetworksLocator(), Locator)
