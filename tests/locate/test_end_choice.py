"""Which of several likely ends is chosen, on drawn records (our choice of shapes; no published source)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from sigkit.locate.end_choice import choice_features
from sigkit.locate.end_network import likely_ends
from sigkit.locate.fine_ends import fine_ends
from sigkit.locate.first_look import first_look
from sigkit.locate.instant_networks import InstantNetworksLocator
from sigkit.prepare.block_summary import summarise_blocks
from sigkit.prepare.channel_condition import condition_channel
from sigkit.types.channel import Channel
from sigkit.types.firings import Firings

RATE_HZ = 500e3
OFF_S = 14e-3


def _draw(burn_s: float, short_cut_s: float | None = None, ripple: float = 0.0) -> tuple[Channel, Firings]:
    """One firing: dwell, firing line, rising burn line with or without a short-cut, ring; noise of 1 % of the burn."""
    t = np.arange(int(30e-3 * RATE_HZ)) / RATE_HZ
    since = t - OFF_S
    y = np.where((since > -4e-3) & (since < 0), -0.25 * (1 + np.exp(-(since + 4e-3) / 0.3e-3)
                                                        * np.cos(2 * np.pi * 8e3 * (since + 4e-3))), 0.0)  # fmt: skip
    y += np.where((since > 0) & (since < 20e-6), 10.0 * since / 20e-6, 0.0)
    burn = 1.0 + 0.4 * since / 1e-3
    if short_cut_s is not None:
        burn -= np.where(since > short_cut_s, 0.5, 0.0)
    y += np.where((since >= 20e-6) & (since < burn_s), burn, 0.0)
    behind = np.maximum(since - burn_s, 0.0)
    last = np.interp(burn_s, since, burn)
    ring = last * np.exp(-behind / 0.35e-3) * np.cos(2 * np.pi * 3.2e3 * behind)
    y += np.where(since >= burn_s, ring, 0.0)
    y += ripple * np.sin(2 * np.pi * 2.7e3 * t + 1.0)
    y += np.random.default_rng(5).normal(0.0, 0.01, t.size)
    start = np.array([round(OFF_S * RATE_HZ)])
    firings = Firings("1", start, start - 100, start + 2000, np.array([1], dtype=np.int8), np.array([0]))
    return Channel("1", y, RATE_HZ, kind="secondary_voltage"), firings


@pytest.mark.parametrize("short_cut_s", [0.5e-3, 0.9e-3])
def test_a_short_cut_of_the_channel_is_not_the_end(short_cut_s):
    channel, firings = _draw(1.5e-3, short_cut_s)
    found = InstantNetworksLocator().locate(channel, firings)
    end_s = found.burn_end.position[0] / RATE_HZ - OFF_S
    assert end_s == pytest.approx(1.5e-3, abs=25e-6)


def test_ripple_does_not_move_the_end():
    plain, firings = _draw(1.2e-3)
    rough, _ = _draw(1.2e-3, ripple=0.3)
    ends = [InstantNetworksLocator().locate(channel, firings).burn_end.position[0] for channel in (plain, rough)]
    assert ends[0] / RATE_HZ - OFF_S == pytest.approx(1.2e-3, abs=25e-6)
    assert abs(ends[1] - ends[0]) / RATE_HZ < 10e-6


def test_the_switching_on_is_placed_where_the_step_begins():
    channel, firings = _draw(1.2e-3)
    found = InstantNetworksLocator().locate(channel, firings)
    assert found.coil_on.position[0] / RATE_HZ == pytest.approx(OFF_S - 4e-3, abs=10e-6)


def test_nothing_recorded_behind_a_place_is_no_swing():
    channel, firings = _draw(1.2e-3)
    condition = condition_channel(channel, summarise_blocks(channel))
    begin, end = round((OFF_S - 3e-3) * RATE_HZ), round((OFF_S + 60e-6) * RATE_HZ)
    cut = Channel("1", channel.samples[begin:end], RATE_HZ, kind="secondary_voltage")
    look = first_look(cut, replace(firings, position=firings.position - begin), condition, np.zeros(1))
    likely = likely_ends(look)
    assert np.isfinite(likely.places[:, 0]).all()
    assert np.isfinite(choice_features(look, likely, fine_ends(look, likely, np.zeros(1), False), False)).all()
