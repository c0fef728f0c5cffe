"""Primary side and droop of measurement against elementary circuits and published worked examples."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from sigkit.measure.combine_event import combine_event
from sigkit.measure.dwell_droop import RATES_HZ, settle_droop, weigh_dwell_droop
from sigkit.measure.fit_burn_line import fit_burn_line
from sigkit.measure.fit_ring import fit_ring
from sigkit.measure.instants_from_table import firings_from_instants, instants_from_table
from sigkit.measure.measure_capture import channel_table
from sigkit.measure.measure_current import measure_current
from sigkit.measure.measure_firings import measure_firings
from sigkit.prepare.channel_condition import ChannelCondition
from sigkit.types.capture import Capture
from sigkit.types.channel import Channel
from sigkit.types.firing_table import Table, concatenate

EXACT = ChannelCondition(1e-6, 0.0, -np.inf, np.inf)


def placed(channel: Channel, dwell_s: float):
    return instants_from_table(channel, {"coil_on_s": np.array([0.0]), "coil_off_s": np.array([dwell_s])})


def test_charging_of_a_coil() -> None:
    # Elementary circuit (Heywood, Internal Combustion Engine Fundamentals, eq. 9.53, from memory): 13.5 V on
    # 1.5 ohm and 4 mH for 3 ms gives 6.0781 A and, by L i^2 / 2, 73.89 mJ.
    t = np.arange(-2e-3, 6e-3, 2e-6)
    current = np.where((t >= 0) & (t < 3e-3), 9.0 * (1 - np.exp(-t * 1.5 / 4e-3)), 0.0)
    volts = np.where((t >= 0) & (t < 3e-3), 0.0, 13.5)
    tables: list[Table] = []
    capture = Capture("a", ())
    for name, kind, unit, y in (("i", "coil_current", "A", current), ("u", "primary_voltage", "V", volts)):
        channel = Channel(name, y, 5e5, start_s=-2e-3, unit=unit, kind=kind, pickup_ratio=1.0)
        instants = placed(channel, 3e-3)
        firings = firings_from_instants(channel, instants)
        tables.append(channel_table(capture, channel, firings, instants, measure_firings(channel, firings, instants)))
    table = combine_event(concatenate(tables))
    assert table["current_peak_A"][0] == pytest.approx(6.0781, rel=2e-3)
    assert table["primary_inductance_mH"][0] == pytest.approx(4.0, rel=5e-3)
    assert table["stored_energy_mJ"][0] == pytest.approx(73.89, rel=1e-2)
    # Both rows belong to one event and say the same.
    assert table["stored_energy_mJ"][1] == table["stored_energy_mJ"][0]
    assert table["turns_ratio_flag"][0] == "missing:wrong_channel"


def test_time_to_the_current_limit() -> None:
    # Elementary circuit: 14 V, 0.5 ohm, 3 mH reach 7 A after 1.7261 ms.
    t = np.arange(-2e-3, 6e-3, 2e-6)
    ramp = np.minimum(28.0 * (1 - np.exp(-np.maximum(t, 0.0) * 0.5 / 3e-3)), 7.0)
    current = np.where((t >= 0) & (t < 3e-3), ramp, 0.0)
    channel = Channel("i", current, 5e5, start_s=-2e-3, unit="A", kind="coil_current")
    got = measure_current(channel, placed(channel, 3e-3), EXACT)
    assert float(got.knee_ms[0]) == pytest.approx(1.7261, rel=0.01)
    assert float(got.peak[0]) == pytest.approx(7.0, rel=1e-3)


def test_a_coil_switched_on_before_it_is_empty_starts_above_zero() -> None:
    t = np.arange(-2e-3, 6e-3, 2e-6)
    current = np.where((t >= 0) & (t < 2e-3), 9.0 - 7.0 * np.exp(-t / 2.7e-3), 0.0)
    channel = Channel("i", current, 5e5, start_s=-2e-3, unit="A", kind="coil_current")
    got = measure_current(channel, placed(channel, 2e-3), EXACT)
    assert float(got.start[0]) == pytest.approx(2.0, abs=0.03)


def test_an_inverted_clamp_turns_the_sign_only() -> None:
    t = np.arange(-2e-3, 6e-3, 2e-6)
    current = np.where((t >= 0) & (t < 3e-3), 9.0 * (1 - np.exp(-t * 1.5 / 4e-3)), 0.0)
    both = []
    for sign in (1.0, -1.0):
        channel = Channel("i", sign * current, 5e5, start_s=-2e-3, unit="A", kind="coil_current")
        both.append(measure_current(channel, placed(channel, 3e-3), EXACT))
    assert float(both[1].peak[0]) == pytest.approx(-float(both[0].peak[0]))
    assert float(both[1].constant_ms[0]) == pytest.approx(float(both[0].constant_ms[0]))


def test_line_of_the_guide_to_uncertainty() -> None:
    # JCGM 100:2008 (GUM), example H.3: calibration line of a thermometer, data and results from memory; the
    # general library's least squares on the same data reproduces the published figures, which guards the memory.
    t = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511])
    b = np.array([-171.0, -169, -166, -159, -164, -165, -156, -157, -159, -161, -160]) * 1e-3
    slope, level = np.polyfit(t - 20.0, b, 1)
    assert (level, slope) == (pytest.approx(-0.1712, abs=5e-5), pytest.approx(0.00218, abs=5e-6))
    fit = fit_burn_line(t[None, :] - 20.0, b[None, :], np.array([0.0035]))
    # Bisquare weights differ from least squares by a fraction of the standard uncertainty, 0.00067 published.
    assert abs(float(fit.slope[0]) - 0.00218) < 0.5 * 0.00067
    assert float(fit.slope_u[0]) == pytest.approx(0.00067, rel=0.08)
    at_20 = float(fit.level[0] - fit.slope[0] * fit.centre[0])
    assert abs(at_20 + 0.1712) < 0.5 * 0.0029


def test_hardly_damped_ring_of_a_coil() -> None:
    # Elementary circuit: 40 H, 60 pF, 8 kohm in series: 3248.74 Hz, damping ratio R/2 sqrt(C/L) = 0.004899.
    natural, ratio = 3248.74, 0.5 * 8e3 * np.sqrt(60e-12 / 40.0)
    t = np.arange(5000) * 1e-6
    y = np.exp(-2 * np.pi * natural * ratio * t) * np.cos(2 * np.pi * natural * np.sqrt(1 - ratio**2) * t)
    fit = fit_ring(y[None, :], 1e-6)
    assert ratio == pytest.approx(0.004899, abs=5e-7)
    assert float(fit.frequency_Hz[0]) == pytest.approx(natural, rel=1e-4)
    assert float(fit.damping_ratio[0]) == pytest.approx(ratio, rel=0.01)


def test_a_flattened_first_trough_does_not_bend_the_ring() -> None:
    # The reverse diode of the switch cuts the first trough; behind it the ring is the free one again.
    t = np.arange(3000) * 1e-6
    w, decay = 2 * np.pi * 5000.0, 2 * np.pi * 5000.0 * 0.1
    y = np.exp(-decay * t) * np.cos(w * t)
    y[t < 2e-4] = np.maximum(y[t < 2e-4], -0.3)
    y += 2e-3 * np.random.default_rng(1).standard_normal(t.size)
    fit = fit_ring(y[None, :], 1e-6, 2e-3)
    assert float(fit.frequency_Hz[0]) == pytest.approx(5000.0, rel=5e-3)
    assert float(fit.damping_ratio[0]) == pytest.approx(0.1 / np.sqrt(1.01), rel=0.05)


@pytest.mark.parametrize("rate_Hz", [0.0, 60.0, 400.0, 3000.0])
def test_droop_told_from_the_dwell(rate_Hz: float) -> None:
    # The record is the sinking voltage behind a first-order high-pass, made by the general library's filter.
    t = np.arange(4000) * 1e-6
    v = -500.0 * np.exp(-600.0 * t)
    y = v
    if rate_Hz:
        b, a = signal.bilinear([1.0, 0.0], [1.0, rate_Hz], 1e6)
        y = signal.lfilter(b, a, v)
    rows = y + 1.0 * np.random.default_rng(4).standard_normal((6, t.size))
    cost = weigh_dwell_droop(rows, np.zeros(6), np.full(6, 3000.0), 1e-6, 1.0)
    rate, rate_u = settle_droop(cost)
    assert abs(rate - rate_Hz) < 3.0 * rate_u
    # 400 stands close to the coil's own 600 per second: with the shape wrong by 1 % on every dwell alike the two
    # are told apart, but no nearer than a quarter; 3000 stands clear.
    if rate_Hz >= 400.0:
        assert 0.0 < 2.0 * rate_u < rate
    if rate_Hz >= 3000.0:
        assert rate == pytest.approx(rate_Hz, rel=0.2)
    assert RATES_HZ[0] == 0.0


def test_a_sample_missing_at_the_beginning_of_a_limited_dwell_spoils_no_weight() -> None:
    v = -500.0 * np.exp(-600.0 * np.arange(3000) * 1e-6)
    v[2400:] = -20.0
    rows = np.tile(v, (2, 1))
    # Ahead of the first block, but within the integral since coil_on.
    rows[:, 3] = np.nan
    assert np.isfinite(weigh_dwell_droop(rows, np.zeros(2), np.full(2, 3000.0), 1e-6, 1.0)).all()


def test_misfit_common_to_all_dwells_does_not_average_away() -> None:
    # JCGM 100:2008, 4.2.7 and 5.2 (from memory): errors that all readings share are not divided by their number.
    t = np.arange(3000) * 1e-6
    v = -500.0 * np.exp(-600.0 * t)
    wide = [
        settle_droop(weigh_dwell_droop(np.tile(v, (n, 1)), np.zeros(n), np.full(n, 3000.0), 1e-6, 1.0))[1]
        for n in (1, 40)
    ]
    assert wide[1] == pytest.approx(wide[0], rel=0.05)
