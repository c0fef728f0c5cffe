"""Quantities of drawn firings whose values are known in closed form."""

from __future__ import annotations

import numpy as np
import pytest

from sigkit.measure.instants_from_table import firings_from_instants, instants_from_table
from sigkit.measure.measure_firings import measure_firings
from sigkit.types.channel import Channel
from sigkit.types.flags import MISSING_REASONS
from sigkit.types.measurements import QUANTITIES

RATE = 1e6
START_S = -5e-3
TABLE = {"coil_on_s": [-3e-3], "coil_off_s": [-10e-6], "breakdown_s": [0.0], "burn_end_s": [1.5e-3]}
FREQUENCY_HZ, DAMPING = 7000.0, 0.1


def _volts(slope_V_per_ms=60.0, offset=0.0, noise=0.0):
    t = START_S + np.arange(round(14e-3 * RATE)) / RATE
    ms = t * 1e3
    omega = 2 * np.pi * FREQUENCY_HZ
    decay = DAMPING / np.sqrt(1 - DAMPING**2) * omega
    since = np.maximum(t - 1.5e-3, 0.0)
    ring = 900.0 * np.exp(-decay * since) * np.cos(omega * since - 0.6)
    volts = np.select(
        [t < -3e-3, t < -10e-6, t < 0.0, t < 1.5e-3],
        [0.0, -400.0, -400.0 + 9400.0 * (t + 10e-6) / 10e-6, 1000.0 + slope_V_per_ms * ms],
        ring,
    )
    return volts + offset + noise * np.random.default_rng(4).normal(size=t.size)


def _measure(volts, coupling_u=0.0, **settings):
    chosen = {"unit": "V", "kind": "secondary_voltage"} | settings
    channel = Channel("1", volts, RATE, start_s=START_S, **chosen)
    instants = instants_from_table(channel, {name: np.array(value) for name, value in TABLE.items()})
    return measure_firings(channel, firings_from_instants(channel, instants), instants, coupling_u=coupling_u)


def _value(found, name):
    return float(found.columns[name].value[0])


def test_voltages_slope_and_times_are_those_drawn():
    found = _measure(_volts())
    assert _value(found, "burn_voltage") == pytest.approx(1000.0 + 60.0 * 0.75, abs=3.0)
    assert _value(found, "burn_slope") == pytest.approx(60.0, abs=1.0)
    assert _value(found, "burn_time") == pytest.approx(1.5, abs=2e-3)
    assert _value(found, "dwell_time") == pytest.approx(2.99, abs=2e-3)
    assert _value(found, "peak_voltage") == pytest.approx(9000.0, rel=0.12)


def test_the_ring_has_its_frequency_and_damping():
    # Damping ratio by the logarithmic decrement, zeta = d / sqrt(4 pi^2 + d^2) (mechanics texts).
    found = _measure(_volts(noise=2.0))
    assert _value(found, "ring_frequency") == pytest.approx(FREQUENCY_HZ, rel=0.01)
    assert _value(found, "ring_damping_ratio") == pytest.approx(DAMPING, rel=0.1)
    # Peaks above 5 % of the first: exp(-n d) > 0.05, d = 2 pi zeta / sqrt(1 - zeta^2).
    decrement = 2 * np.pi * DAMPING / np.sqrt(1 - DAMPING**2)
    assert _value(found, "ring_cycles") == pytest.approx(1 + np.floor(np.log(20) / decrement), abs=1)


def test_series_resistance_adds_its_drop_to_the_slope():
    # 13 kOhm more, 60 mA falling to nothing over the burn: 780 V more fall (Ohm), here 520 V/ms over 1.5 ms.
    plain, steep = _measure(_volts(0.0)), _measure(_volts(-520.0))
    assert _value(steep, "burn_slope") - _value(plain, "burn_slope") == pytest.approx(-780.0 / 1.5, rel=0.005)


@pytest.mark.parametrize("gain", [-1.0, 1e-3, 20.0])
def test_gain_scales_voltages_and_leaves_times_alone(gain):
    plain, other = _measure(_volts(noise=1.0)), _measure(gain * _volts(noise=1.0))
    for name in ("peak_voltage", "burn_voltage"):
        assert _value(other, name) == pytest.approx(gain * _value(plain, name), rel=1e-6)
    assert _value(other, "burn_slope") == pytest.approx(abs(gain) * _value(plain, "burn_slope"), rel=1e-4)
    for name in ("burn_time", "dwell_time", "ring_frequency", "ring_damping_ratio", "ring_cycles"):
        assert _value(other, name) == pytest.approx(_value(plain, name), rel=1e-4)


def test_an_offset_changes_no_quantity():
    plain, other = _measure(_volts(noise=1.0)), _measure(_volts(noise=1.0, offset=250.0))
    for spec in QUANTITIES:
        a, b = _value(plain, spec.name), _value(other, spec.name)
        assert (np.isnan(a) and np.isnan(b)) or b == pytest.approx(a, rel=1e-6, abs=1e-6)


def test_noise_shows_in_the_uncertainty():
    quiet, noisy = _measure(_volts(noise=1.0)), _measure(_volts(noise=30.0))
    for name in ("burn_voltage", "burn_slope", "ring_frequency"):
        assert noisy.columns[name].u[0] > 3 * quiet.columns[name].u[0] > 0
    assert abs(_value(noisy, "burn_slope") - 60.0) < 4 * noisy.columns["burn_slope"].u[0]


def test_other_channels_give_what_they_carry():
    primary = _measure(_volts(), kind="primary_voltage")
    assert primary.columns["firing_voltage"].flag[0] == "missing:wrong_channel"
    assert np.isfinite(_value(primary, "burn_time"))
    current = _measure(_volts(), kind="coil_current", unit="A")
    assert np.isfinite(_value(current, "dwell_time"))
    assert current.columns["burn_voltage"].flag[0] == "missing:wrong_channel"
    pulse = _measure(_volts(), kind="synchronising_pulse")
    assert all(column.flag[0] == "missing:wrong_channel" for column in pulse.columns.values())


def test_without_a_scale_voltages_are_missing_and_levels_stay():
    found = _measure(_volts(), unit="")
    assert found.columns["burn_voltage"].flag[0] == "missing:no_scale"
    assert found.extra["burn_level"][0] == pytest.approx(1045.0, abs=3.0)


def test_every_missing_value_says_why():
    cut = _volts()[: round(6e-3 * RATE)]
    found = _measure(cut)
    for column in found.columns.values():
        flag = str(column.flag[0])
        assert np.isfinite(column.value[0]) or flag.removeprefix("missing:") in MISSING_REASONS
