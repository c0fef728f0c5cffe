"""Which rise is the firing's own, on drawn records (our choice of shapes; no published source)."""

from __future__ import annotations

import numpy as np
import pytest

from sigkit.locate.instant_networks import InstantNetworksLocator
from sigkit.types.channel import Channel
from sigkit.types.firings import Firings
from sigkit.types.instants import Instants

OFF_S, BURN_S = 14e-3, 1.2e-3


def _draw(rate_Hz: float, peak: float = 4.0, impulse_s: float | None = None, limit_s: float | None = None) -> Channel:
    """Dwell with or without a current limit, firing line, burn line, ring; an impulse in the burn if asked for."""
    fine_Hz = 1e6
    since = np.arange(int(30e-3 * fine_Hz)) / fine_Hz - OFF_S
    y = np.where((since > -4e-3) & (since < 0), -0.4, 0.0)
    if limit_s is not None:
        behind = np.maximum(since + limit_s, 0.0)
        ring = 0.9 * np.exp(-behind / 60e-6) * np.sin(2 * np.pi * behind / 60e-6)
        y = np.where((since >= -limit_s) & (since < 0), ring, y)
    y += np.where((since > 0) & (since < 10e-6), peak * since / 10e-6, 0.0)
    y += np.where((since >= 10e-6) & (since < BURN_S), 1.0 + 0.3 * since / 1e-3, 0.0)
    behind = np.maximum(since - BURN_S, 0.0)
    ring = 2.0 * np.exp(-behind / 0.35e-3) * np.sin(2 * np.pi * 3.2e3 * behind + 0.7)
    y += np.where(since >= BURN_S, ring, 0.0)
    if impulse_s is not None:
        y += np.where((since >= impulse_s) & (since < impulse_s + 3e-6), 3.0, 0.0)
    each = round(fine_Hz / rate_Hz)
    y = y[: y.size // each * each].reshape(-1, each).mean(axis=1)
    y += np.random.default_rng(3).normal(0.0, 0.01, y.size)
    return Channel("1", y, rate_Hz, kind="secondary_voltage")


def _located(channel: Channel, seen_s: float) -> Instants:
    position = np.array([round((OFF_S + seen_s) * channel.sample_rate_Hz)])
    firings = Firings("1", position, position, position, np.array([1], dtype=np.int8), np.array([0]))
    return InstantNetworksLocator().locate(channel, firings)


def _breakdown_error_s(channel: Channel, seen_s: float) -> float:
    return float(_located(channel, seen_s).breakdown.position[0] / channel.sample_rate_Hz - OFF_S - 10e-6)


@pytest.mark.parametrize("seen_s", [0.0, 0.25e-3])
def test_an_impulse_in_the_burn_is_not_the_firing_line(seen_s):
    channel = _draw(1e6, impulse_s=0.25e-3)
    assert abs(_breakdown_error_s(channel, seen_s)) < 10e-6


@pytest.mark.parametrize("limit_s", [120e-6, 180e-6, 230e-6])
@pytest.mark.parametrize("seen_s", [-120e-6, 0.0, 60e-6])
def test_a_current_limit_is_not_the_switching_off(limit_s, seen_s):
    # The limit's rise, from -0.4 to 0.7, is taller than the one from the limit to the burn.
    channel = _draw(500e3, peak=1.0, limit_s=limit_s)
    assert abs(_breakdown_error_s(channel, seen_s)) < 3e-6


def test_where_no_burn_line_stands_behind_any_rise_the_first_swing_counts():
    # A gap that never conducts: a ring about the settled level, tallest in its first swing.
    since = np.arange(int(30e-3 * 500e3)) / 500e3 - OFF_S
    ring = 5.0 * np.exp(-np.maximum(since, 0) / 100e-6) * np.sin(2 * np.pi * np.maximum(since, 0) / 200e-6)
    y = np.where(since < 0, np.where(since > -4e-3, -0.3, 0.0), ring)
    y += np.random.default_rng(3).normal(0.0, 0.01, y.size)
    found = _located(Channel("1", y, 500e3, kind="secondary_voltage"), 0.0)
    assert -4e-6 < found.coil_off.position[0] / 500e3 - OFF_S < 24e-6


def test_on_a_slow_record_the_rise_at_the_end_is_not_the_beginning():
    channel = _draw(20e3, peak=0.0)
    assert abs(_breakdown_error_s(channel, 0.1e-3)) < 50e-6
