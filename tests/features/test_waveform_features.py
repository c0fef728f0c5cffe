"""Shapes of firings that are drawn by hand, so that every number is known."""

from __future__ import annotations

import numpy as np
import pytest

from sigkit.features.waveform_features import add_shape_columns, firing_shapes, shape_columns
from sigkit.measure.instants_from_table import firings_from_instants, instants_from_table
from sigkit.measure.measured_capture import MeasuredCapture
from sigkit.types.capture import Capture
from sigkit.types.channel import Channel

RISE_S, BURN_S, RING_HZ, RING_DAMPING = 60e-6, 1.5e-3, 5000.0, 0.08
#: Peak, burn line at begin and end, step at switch-on, first swing of the ring; burn level 1000.
PEAK, BURN_BEGIN, BURN_END, DWELL, RING = 8000.0, 1000.0, 1000.0, -400.0, 600.0


def draw_firing(sample_rate_Hz=1e6, burn_end_level=BURN_END, gain=1.0):
    """Return channel, firings and instants of two firings, the second half as tall at the peak."""
    time_s = np.arange(-5e-3, 30e-3, 1 / sample_rate_Hz)
    volts = np.zeros_like(time_s)
    off_s = np.array([0.0, 15e-3])
    for off, peak in zip(off_s, (PEAK, PEAK / 2), strict=True):
        t = time_s - off
        volts += np.where((t >= -3e-3) & (t < 0), DWELL, 0.0)
        volts += np.where((t >= 0) & (t < RISE_S), peak * t / RISE_S, 0.0)
        burn = (t >= RISE_S) & (t < RISE_S + BURN_S)
        volts += np.where(burn, BURN_BEGIN + (burn_end_level - BURN_BEGIN) * (t - RISE_S) / BURN_S, 0.0)
        after = np.maximum(t - RISE_S - BURN_S, 0.0)
        omega = 2 * np.pi * RING_HZ
        decay = omega * RING_DAMPING / np.sqrt(1 - RING_DAMPING**2)
        volts += np.where(t >= RISE_S + BURN_S, RING * np.exp(-decay * after) * np.cos(omega * after), 0.0)
    noise = np.random.default_rng(2).normal(scale=0.5, size=time_s.size)
    channel = Channel("1", gain * (volts + noise), sample_rate_Hz, start_s=-5e-3, unit="V", kind="secondary_voltage")
    table = {"coil_on_s": off_s - 3e-3, "coil_off_s": off_s, "breakdown_s": off_s + RISE_S,
             "burn_end_s": off_s + RISE_S + BURN_S}  # fmt: skip
    instants = instants_from_table(channel, table)
    return channel, firings_from_instants(channel, instants), instants


def shapes(**drawing):
    rows = firing_shapes(*draw_firing(**drawing))
    return {name: rows[:, k] for k, name in enumerate(shape_columns())}


def test_every_number_of_a_drawn_firing():
    found = shapes()
    np.testing.assert_allclose(found["shape_rise_time_us"], RISE_S * 1e6, rtol=1e-6)
    np.testing.assert_allclose(found["shape_dwell_level"], -DWELL / 1000.0, atol=0.01)
    np.testing.assert_allclose(found["shape_overshoot_after"], RING / 1000.0, atol=0.02)
    # Half a turn later the swing is smaller by exp(-pi z / sqrt(1 - z^2)): logarithmic decrement, closed form.
    half = np.exp(-np.pi * RING_DAMPING / np.sqrt(1 - RING_DAMPING**2))
    np.testing.assert_allclose(found["shape_undershoot_after"], half * RING / 1000.0, atol=0.02)
    np.testing.assert_allclose(found["shape_ring_frequency_Hz"], RING_HZ, rtol=0.01)
    np.testing.assert_allclose(found["shape_ring_damping_ratio"], RING_DAMPING, rtol=0.05)
    for share in (25, 50, 75):
        np.testing.assert_allclose(found[f"shape_rise_at_{share}_percent"], share / 100, atol=0.03)


def test_a_falling_burn_line_shows_at_every_place():
    found = shapes(burn_end_level=200.0)
    for share in (5, 20, 50, 80, 95):
        # Relative to the mean of the middle of a straight line from 1000 to 200, which is 600.
        expected = (1000.0 - 800.0 * share / 100) / 600.0
        np.testing.assert_allclose(found[f"shape_burn_at_{share}_percent"], expected, atol=0.01)


def test_power_of_the_ring_is_in_its_octave_and_window():
    found = shapes()
    ringing = [found[f"shape_log10_power_{low}000_{2 * low}000_Hz_from_1.2_to_3_ms"][0] for low in (1, 2, 4, 8, 16, 32)]
    # The end of the burn and its jump lie in the lowest octaves of the same window; the ring outweighs those above.
    assert ringing[2] > max(ringing[3:]) + 0.5


@pytest.mark.parametrize("gain", [-1.0, 1e-3, -250.0])
def test_gain_and_polarity_leave_shapes_alone(gain):
    plain, other = shapes(), shapes(gain=gain)
    for name in shape_columns():
        np.testing.assert_allclose(other[name], plain[name], rtol=1e-6, atol=1e-6, err_msg=name)


@pytest.mark.parametrize("sample_rate_Hz", [200e3, 5e6])
def test_the_sample_rate_leaves_shapes_nearly_alone(sample_rate_Hz):
    plain, other = shapes(), shapes(sample_rate_Hz=sample_rate_Hz)
    for name in ("shape_rise_time_us", "shape_dwell_level", "shape_burn_at_50_percent", "shape_ring_frequency_Hz"):
        np.testing.assert_allclose(other[name], plain[name], rtol=0.02, err_msg=name)
    # The octave of the ring; the next lower one holds the jump at the end of the burn, which falls between samples.
    name = "shape_log10_power_4000_8000_Hz_from_1.2_to_3_ms"
    np.testing.assert_allclose(other[name], plain[name], atol=0.05)


def test_bands_above_half_the_sample_rate_are_missing():
    found = shapes(sample_rate_Hz=100e3)
    assert np.isnan(found["shape_log10_power_32000_64000_Hz_from_0_to_0.3_ms"]).all()
    assert np.isfinite(found["shape_log10_power_16000_32000_Hz_from_0_to_0.3_ms"]).all()


def _measured(channel, firings, instants):
    table = {"firing": np.arange(len(firings))}
    return MeasuredCapture(Capture("a", (channel,)), table, {}, [firings], [instants])


def test_columns_are_added_to_the_table_and_only_leads_have_shapes():
    channel, firings, instants = draw_firing()
    before = _measured(channel, firings, instants)
    after = add_shape_columns(before)
    assert set(after.table) - set(before.table) == set(shape_columns())
    assert "shape_rise_time_us" not in before.table
    assert np.isfinite(after.table["shape_rise_time_us"]).all()
    current = add_shape_columns(_measured(channel.with_(kind="coil_current", unit="A"), firings, instants))
    assert all(np.isnan(current.table[name]).all() for name in shape_columns())
