"""Closed forms of the coil circuit against hand-computed figures, and the integration against both.

Sources: elementary circuit theory unless named. The invented coil of the last tests comes from an open
engine model whose own figures another integration (a general-purpose stiff solver) reproduced: those
tests check the integration, not nature.
"""

import numpy as np
import pytest

from sigkit.simulate import closed_forms as form
from sigkit.simulate.circuit_modes import CLEAN_OHM
from sigkit.simulate.circuit_parameters import concatenate
from sigkit.simulate.integrate_circuit import integrate_circuit
from sigkit.simulate.textbook_coil import textbook_coil


def run(*coils, **keywords):
    return integrate_circuit(concatenate(list(coils)), np.random.default_rng(0), **keywords)


def test_charging():
    current = form.charging_current_A(13.5, 1.5, 4e-3, 3e-3)
    assert current == pytest.approx(6.0781, rel=5e-4)
    assert form.magnetic_energy_J(4e-3, current) == pytest.approx(73.89e-3, rel=5e-4)
    assert form.charging_time_s(14.0, 0.5, 3e-3, 7.0) == pytest.approx(1.7261e-3, rel=5e-4)
    assert np.isinf(form.charging_time_s(12.0, 2.0, 3e-3, 6.0))


def test_ring_and_damping():
    assert form.ring_frequency_Hz(40.0, 60e-12) == pytest.approx(3248.74, rel=5e-4)
    assert form.series_damping_ratio(8e3, 40.0, 60e-12) == pytest.approx(0.004899, rel=5e-4)
    assert form.leakage_frequency_Hz(4e-3, 0.98, 1e-9) == pytest.approx(399.9e3, rel=1e-3)
    assert form.switch_on_voltage_V(100.0, 0.98, 13.5) == pytest.approx(1323.0, rel=1e-3)


def test_burn_against_a_constant_voltage():
    duration = form.burn_time_s(25.0, 8e3, 0.06, 900.0)
    assert duration == pytest.approx(1.3358e-3, rel=5e-4)
    assert form.burn_time_s(25.0, 0.0, 0.06, 900.0) == pytest.approx(1.6667e-3, rel=5e-4)
    gap, copper = form.burn_energy_split_J(25.0, 8e3, 0.06, 900.0)
    assert gap == pytest.approx(33.50e-3, rel=5e-4)
    assert copper == pytest.approx(11.50e-3, rel=5e-4)
    assert gap + copper == pytest.approx(45.0e-3, rel=1e-9)


def test_energies_and_drops():
    # The triangle is the idea of an energy test on a string of Zener diodes (SAE J973, second-hand).
    assert form.triangle_energy_J(1000.0, 0.06, 2e-3) == pytest.approx(60.0e-3, rel=1e-3)
    assert form.series_drop_V(13e3, 0.06) == pytest.approx(780.0, rel=5e-3)
    assert form.electric_energy_J(60e-12, 12e3) == pytest.approx(4.32e-3, rel=1e-12)
    assert form.electric_energy_J(10e-12, 10e3) == pytest.approx(0.50e-3, rel=1e-12)


def test_integrated_charging_current():
    # A secondary without capacitance to speak of, so that only R and L are left.
    event = run(textbook_coil(secondary_capacitance_F=1e-13, plug_capacitance_F=1e-14, series_ohm=100.0))
    assert event.truth.off_current_A[0] == pytest.approx(6.0781, rel=5e-4)
    assert event.truth.stored_energy_J[0] == pytest.approx(73.89e-3, rel=1e-3)
    times = np.array([0.5e-3, 1.5e-3, 2.5e-3])
    expected = form.charging_current_A(13.5, 1.5, 4e-3, times)
    assert event.sample("coil_current_A", 0, times - 3e-3) == pytest.approx(expected, rel=1e-3)


def test_integrated_ring_of_the_open_secondary():
    # Neither clamp nor reverse path, hardly any primary capacitance: a plain series circuit remains.
    free = {"clamp_V": 1e7, "reverse_block_V": 1e7, "primary_capacitance_F": 1e-12, "switch_on_ohm": 0.1}
    event = run(textbook_coil(**free), after_s=8e-3)
    times = np.arange(0.5e-3, 7.5e-3, 0.2e-6)
    voltage = event.sample("tower_0_V", 0, times)
    rising = np.flatnonzero((voltage[:-1] < 0) & (voltage[1:] >= 0))
    crossing = times[rising] - voltage[rising] * 0.2e-6 / (voltage[rising + 1] - voltage[rising])
    frequency = (crossing.size - 1) / (crossing[-1] - crossing[0])
    assert frequency == pytest.approx(3248.74, rel=5e-4)
    crests = [voltage[a:b].max() for a, b in zip(rising[:-1], rising[1:])]
    decrement = np.log(crests[0] / crests[-1]) / (len(crests) - 1)
    # Copper as in the closed form, and the two insulations of 10 gigohm that the simulation always has.
    expected = 0.004899 + form.parallel_damping_ratio(CLEAN_OHM / 2, 40.0, 60e-12)
    assert decrement / np.hypot(decrement, 2 * np.pi) == pytest.approx(expected, rel=3e-3)
    assert event.truth.ring_frequency_Hz[0] == pytest.approx(3248.74, rel=5e-4)
    assert event.truth.ring_damping_ratio[0] == pytest.approx(expected, rel=3e-3)


def test_no_ring_is_told_where_the_coil_cannot_swing():
    # A shunt of a tenth of the characteristic resistance, sqrt(40 H / 60 pF) = 816 kilohm, is far beyond critical.
    events = run(textbook_coil(tower_leak_ohm=80e3), textbook_coil(blocking_diode=True))
    assert np.isnan(events.truth.ring_frequency_Hz).all()
    assert np.isnan(events.truth.ring_damping_ratio).all()


def test_integrated_switch_on_level():
    event = run(textbook_coil())
    period = 1.0 / form.leakage_frequency_Hz(40.0, 0.98, 60e-12)
    times = np.linspace(0.0, 8 * period, 16001)
    voltage = event.sample("tower_0_V", 0, times - 3e-3)
    # The winding sign is +1, so switching on drives the tower negative; the drive fades with R1/L1.
    fading = np.mean(np.exp(-1.5 / 4e-3 * times))
    assert voltage.mean() == pytest.approx(-1323.0 * fading, rel=5e-3)


def test_integrated_leakage_ring_of_the_primary():
    # While the gap burns the secondary is held, so the primary rings with its leakage inductance.
    event = run(textbook_coil(breakdown_V=3000.0, reverse_block_V=1e6))
    begin = event.truth.breakdown_s[0, 0] + 5e-6
    times = np.arange(begin, begin + 60e-6, 5e-9)
    voltage = event.sample("primary_voltage_V", 0, times)
    voltage = voltage - np.polyval(np.polyfit(times - begin, voltage, 2), times - begin)
    rising = np.flatnonzero((voltage[:-1] < 0) & (voltage[1:] >= 0))
    frequency = (rising.size - 1) / (times[rising[-1]] - times[rising[0]])
    assert frequency == pytest.approx(399.9e3, rel=3e-3)


def tight_coil(**changes):
    """60 mA into 25 H at the switching-off, a gap that holds 900 V at any current.

    The supply is so low that switching on does not reach the gap's voltage; the dwell makes up for the
    milliohm of the switch.
    """
    return textbook_coil(**{
        "primary_inductance_H": 2.5e-3, "secondary_inductance_H": 25.0, "coupling": 0.9999,
        "primary_resistance_ohm": 1e-4, "supply_V": 2.0, "dwell_s": 7.5e-3 * 1.00165, "current_limit_A": 50.0,
        "clamp_V": 1e6, "reverse_block_V": 1e6, "primary_capacitance_F": 1e-10,
        "secondary_capacitance_F": 2e-13, "plug_capacitance_F": 1e-15, "switch_on_ohm": 1e-3,
        "core_loss_ohm": 1e12, "breakdown_V": 950.0, "cathode_fall_V": 900.0,
        "gap_length_m": 1e-9, "hold_current_A": 2e-5, "series_ohm": 100.0, **changes,
    })


def test_integrated_burn_against_a_constant_voltage():
    events = run(tight_coil(), tight_coil(secondary_resistance_ohm=1e-3))
    truth = events.truth
    assert truth.off_current_A == pytest.approx([6.0, 6.0], rel=1e-3)
    duration = (truth.burn_end_s - truth.breakdown_s)[:, 0]
    # 100 ohm of lead count with the winding; a column of a few volts and the leakage are left, 0.5 % together.
    expected = form.burn_time_s(25.0, np.array([8e3, 0.0]) + 100.0, 0.06, 900.0)
    assert expected == pytest.approx([1.3358e-3, 1.6667e-3], rel=5e-3)
    assert duration == pytest.approx(expected, rel=5e-3)
    gap, _ = form.burn_energy_split_J(25.0, np.array([8e3, 0.0]) + 100.0, 0.06, 900.0)
    assert gap == pytest.approx([33.50e-3, 45.0e-3], rel=1.2e-2)
    assert truth.gap_energy_J[:, 0] == pytest.approx(gap, rel=7e-3)


def test_integrated_series_resistance_tilts_the_burn_line():
    plain, resistive = tight_coil(), tight_coil(series_ohm=13.1e3)
    events = run(plain, resistive)
    breakdown, end = events.truth.breakdown_s[:, 0], events.truth.burn_end_s[:, 0]
    start = events.sample("tower_0_V", np.array([0, 1]), (breakdown + 5e-6)[:, None])[:, 0]
    stop = events.sample("tower_0_V", np.array([0, 1]), (end - 0.1e-6)[:, None])[:, 0]
    # 60 mA through 13 kilohm, less what 25 H have lost against 900 V and the drop 5 us later; 0.5 % for the
    # leakage. Nothing is left at the end.
    expected = form.series_drop_V(13e3, 0.06 - (900.0 + 780.0) / 25.0 * 5e-6)
    assert start[1] - start[0] == pytest.approx(expected, rel=5e-3)
    assert abs(stop[1] - stop[0]) < 0.005 * 780.0 + 13e3 * 2e-5
    # The current runs from 60 mA towards -900 V / R with L / R, R being copper and lead; 13.1 kilohm show it.
    for row, series in ((0, 100.0), (1, 13.1e3)):
        ohm, duration = 8e3 + series, float(end[row] - breakdown[row])
        t = np.linspace(0.2, 0.8, 201) * duration
        current = (0.06 + 900.0 / ohm) * np.exp(-t * ohm / 25.0) - 900.0 / ohm
        told = float(np.sign(events.truth.burn_voltage_V[row, 0]) * events.truth.burn_slope_V_per_s[row, 0])
        assert told == pytest.approx(np.polyfit(t, 900.0 + series * current, 1)[0], rel=0.02)


def test_invented_coil_without_a_spark():
    event = run(textbook_coil())
    assert event.truth.off_current_A[0] == pytest.approx(6.0773, rel=1e-3)
    assert abs(event.sample("tower_0_V", 0, np.array([0.0]))[0]) == pytest.approx(430.0, rel=2e-3)
    times = np.arange(50e-6, 70e-6, 10e-9)
    voltage = event.sample("tower_0_V", 0, times)
    assert voltage.max() == pytest.approx(43.514e3, rel=1e-3)
    # Round the crest the clamp's corner makes the top flat: 0.2 us of it differ by less than 1 V in 43 kV.
    assert times[voltage.argmax()] == pytest.approx(60.9e-6, abs=0.2e-6)
    assert event.truth.spark[0, 0] == "no"


def test_invented_coil_with_a_glow_discharge():
    event = run(textbook_coil(breakdown_V=9172.0))
    truth = event.truth
    assert truth.breakdown_s[0, 0] == pytest.approx(10.775e-6, rel=1e-3)
    assert truth.breakdown_voltage_V[0, 0] == pytest.approx(9172.0, rel=1e-4)
    assert truth.burn_end_s[0, 0] - truth.breakdown_s[0, 0] == pytest.approx(2.9722e-3, rel=1e-3)
    # The figure counts the capacitive 2.5 mJ of the breakdown as energy in the gap, as we do; our 3 ohm of
    # lead take their share of a current that falls in a straight line.
    lead_J = 3.0 * 56.54e-3**2 / 3.0 * 2.9722e-3
    assert truth.gap_energy_J[0, 0] + lead_J == pytest.approx(44.97e-3, rel=1e-3)


def test_glow_discharge_against_a_general_solver():
    # The same circuit written down anew for scipy's stiff solver, the column's delay of 2 us
    # included. A large primary capacitor (breaker points) keeps the solver's work small.
    from scipy.integrate import solve_ivp

    event = run(textbook_coil(breakdown_V=9172.0, primary_capacitance_F=0.1e-6, column_inertia_s=2e-6))
    mutual = 0.98 * np.sqrt(4e-3 * 40.0)
    inverse = np.linalg.inv([[4e-3, mutual], [mutual, 40.0]])

    def following(current):
        """Conductance of a glow column that has settled at a current."""
        return max(abs(current), 2e-4) ** 1.32 / (40.46 * 0.508 * 10.4**0.51)

    def slope(y):
        switch = max(y[2] - 400.0, 0.0) / 0.01 + min(y[2] + 24.0, 0.0) / 0.01
        di = inverse @ [13.5 - 1.5 * y[0] - y[2], -y[3] - 8e3 * y[1]]
        return [di[0], di[1], (y[0] - switch) / 0.1e-6]

    def conducting(_, y):
        di = inverse @ [13.5 - 1.5 * y[0], -y[2] - 8e3 * y[1]]
        return [di[0], di[1], y[1] / 60e-12]

    def climbing(_, y):
        return [*slope(y), y[1] / 60e-12]

    def burning(_, y):
        current = y[4] * (y[3] - 294.89)
        return [*slope(y), (y[1] - current) / 60e-12, (following(current) - y[4]) / 2e-6]

    def breaks(_, y):
        return y[3] - 9172.0

    def gone(_, y):
        return y[4] * (y[3] - 294.89) - 2e-3

    breaks.terminal = gone.terminal = True
    setting = {"rtol": 1e-7, "atol": 1e-7}
    dwell = solve_ivp(conducting, (0, 3e-3), [0, 0, 0], method="DOP853", **setting).y[:, -1]
    rise = solve_ivp(climbing, (0, 1e-3), [dwell[0], dwell[1], 0, dwell[2]], events=breaks, method="Radau",
                     **setting)
    assert event.truth.breakdown_s[0, 0] == pytest.approx(rise.t[-1], rel=2e-4)
    burn = solve_ivp(burning, (0, 6e-3), [*rise.y[:, -1], following(rise.y[1, -1])], events=gone,
                     method="Radau", dense_output=True, **setting)
    duration = burn.t[-1]
    assert event.truth.burn_end_s[0, 0] - rise.t[-1] == pytest.approx(duration, rel=1e-3)
    times = np.linspace(0.01, 0.95, 48) * duration
    voltage = event.sample("tower_0_V", 0, rise.t[-1] + times)
    expected = burn.sol(times)[3]
    # While the primary rings (25 us a period) our column, updated every 0.25 us, trails a little, as in the steep
    # rise before the end.
    assert voltage == pytest.approx(expected, rel=4e-3)
    assert voltage[12:-6] == pytest.approx(expected[12:-6], rel=1e-3)
