"""Integrated events with faults, repeats and soft ends: truth must say what the waveform does."""

import numpy as np
import pytest

from sigkit.simulate.circuit_parameters import concatenate
from sigkit.simulate.event_truth import FLASH_S
from sigkit.simulate.integrate_circuit import integrate_circuit
from sigkit.simulate.textbook_coil import textbook_coil
from sigkit.simulate.typical_coils import typical_coils


def realistic(**changes):
    return textbook_coil(**{
        "primary_inductance_H": 3e-3, "primary_resistance_ohm": 0.6, "secondary_inductance_H": 21.0,
        "secondary_resistance_ohm": 6e3, "secondary_capacitance_F": 80e-12, "coupling": 0.975,
        "core_loss_ohm": 2.5e6, "current_limit_A": 20.0, "dwell_s": 1.6e-3, "winding_sign": -1,
        "series_ohm": 8e3, "plug_capacitance_F": 10e-12, "breakdown_V": 9e3, "rebreakdown_V": 6e3,
        "gap_length_m": 0.8e-3, "pressure_bar": 7.0, "stretch_m_per_s": 1.0, "hold_current_A": 4e-3,
        "switch_on_ohm": 0.1, "primary_damping_ohm": 6e3, "column_inertia_s": 20e-6,
        "tower_leak_ohm": 30e6, **changes,
    })


def run(*coils, seed=0):
    return integrate_circuit(concatenate(list(coils)), np.random.default_rng(seed))


def test_fouling_bleeds_the_voltage_until_nothing_fires():
    shunts = [np.inf, 1e6, 0.4e6, 0.1e6]
    truth = run(*(realistic(breakdown_V=12e3, shunt_ohm=ohm) for ohm in shunts)).truth
    assert list(truth.spark[:, 0]) == ["yes", "yes", "yes", "no"]
    assert (np.diff(truth.breakdown_s[:3, 0]) > 0).all()
    assert (np.diff((truth.burn_end_s - truth.breakdown_s)[:3, 0]) < 0).all()
    assert abs(truth.peak_voltage_V[3, 0]) < 12e3 * 1.2
    # What the shunt takes before the gap breaks down is missing in the gap.
    assert (np.diff(truth.gap_energy_J[:3, 0]) < 0).all()


def test_open_lead_reaches_the_available_voltage_or_is_bridged():
    truth = run(realistic(), realistic(open_gap_V=np.inf), realistic(open_gap_V=14e3)).truth
    assert list(truth.spark[:, 0]) == ["yes", "no", "yes"]
    assert abs(truth.peak_voltage_V[1, 0]) > 25e3
    # The break in the lead decides when it asks for more than the plug does.
    assert abs(truth.firing_voltage_V[2, 0]) == pytest.approx(14e3, rel=2e-2)
    burn = (truth.burn_end_s - truth.breakdown_s)[:, 0]
    assert burn[2] < burn[0]


def test_leaking_insulation_fires_below_the_gap_and_is_listed_as_such():
    event = run(realistic(leak_breakdown_V=5e3))
    truth = event.truth
    assert abs(truth.firing_voltage_V[0, 0]) == pytest.approx(5e3, rel=1e-3)
    assert set(truth.interval_path.tolist()) == {1}
    assert set(run(realistic()).truth.interval_path.tolist()) == {0}


def test_soft_end_shows_no_rise():
    event = run(realistic(), realistic(soft_end=1.0))
    truth = event.truth
    assert truth.soft_end[:, 0].tolist() == [False, True]
    levels = []
    for row in range(2):
        end = truth.burn_end_s[row, 0]
        behind = np.abs(event.sample("tower_0_V", row, end + np.linspace(0.0, 60e-6, 300)))
        levels.append(behind.max() / behind[0])
    assert levels[0] > 1.3
    assert levels[1] < 1.1


def test_softness_lowers_the_kick_step_by_step():
    softness = [0.0, 0.2, 0.5, 1.0]
    event = run(*(realistic(soft_end=value) for value in softness))
    kicks = []
    for row in range(4):
        end = event.truth.burn_end_s[row, 0]
        behind = np.abs(event.sample("tower_0_V", row, end + np.linspace(0.0, 60e-6, 300)))
        kicks.append(behind.max() / behind[0])
    assert (np.diff(kicks) < 0).all()


def test_blow_out_restrikes_and_the_burn_counts_through():
    event = run(realistic(), realistic(blow_out_s=0.5e-3))
    truth = event.truth
    intervals = truth.intervals(1, 0)
    assert truth.restrikes[:, 0].tolist() == [0, 1]
    assert intervals[0, 1] == pytest.approx(0.5e-3, abs=1e-9)
    assert intervals[1, 0] > intervals[0, 1]
    assert truth.breakdown_s[1, 0] == intervals[0, 0]
    assert truth.burn_end_s[1, 0] == intervals[1, 1]
    again = event.sample("tower_0_V", 1, intervals[1, :1])[0]
    assert abs(again) == pytest.approx(6e3, rel=5e-2)  # it waited for the hot gap's breakdown voltage


def test_recovering_gap_asks_for_more_the_longer_it_rests():
    from sigkit.simulate.event_run import RECOVERY_S, EventRun

    run_ = EventRun(realistic(), np.random.default_rng(0), 0.0, 1e-3)
    row = np.array([0])
    run_.conducting[0, 0] = True
    run_.began_s[0, 0] = 0.0
    run_.t[0] = 1e-3
    run_.extinguish(row, 0, soft=False)
    later = np.array([1e-3, 1e-3 + RECOVERY_S, 1e-3 + 20 * RECOVERY_S])
    threshold = np.array([run_.threshold_V(row, np.array([t]))[0, 0] for t in later])
    assert threshold == pytest.approx([6e3, 9e3 - 3e3 / np.e, 9e3], rel=1e-6)


def test_stretched_channel_short_cuts_within_the_burn():
    event = run(realistic(), realistic(stretch_m_per_s=6.0, stretch_limit_V=1200.0))
    truth = event.truth
    assert truth.short_cuts[:, 0].tolist()[0] == 0
    assert truth.short_cuts[1, 0] >= 1
    assert truth.restrikes[1, 0] == 0
    burn = np.linspace(truth.breakdown_s[1, 0] + 50e-6, truth.burn_end_s[1, 0] - 1e-6, 4000)
    level = np.abs(event.sample("tower_0_V", 1, burn))
    assert (level[20:] - level[:-20]).min() < -200  # the dip is a step, within 5 us
    assert level.max() < 294.89 + 1200.0 * 1.1 + 8e3 * 0.08


def test_repeat_strikes_recharge_the_coil():
    event = run(realistic(repeat_strikes=2, repeat_burn_s=0.5e-3, repeat_dwell_s=1.2e-3))
    truth = event.truth
    assert truth.coil_off_s[0] == pytest.approx([0.0, 1.7e-3, 3.4e-3], abs=1e-12)
    assert truth.coil_on_s[0] == pytest.approx([-1.6e-3, 0.5e-3, 2.2e-3], abs=1e-12)
    begin, end = truth.strike_breakdown_s[0, 0], truth.strike_burn_end_s[0, 0]
    assert ((begin > truth.coil_off_s[0]) & (begin < truth.coil_off_s[0] + 60e-6)).all()
    # Switching on again takes the burn away within some tens of microseconds, the last one burns out.
    assert (end[:2] - truth.coil_on_s[0, 1:] < 100e-6).all()
    assert (end[:2] >= truth.coil_on_s[0, 1:]).all()
    assert end[2] - begin[2] > 0.7e-3
    assert truth.breakdown_s[0, 0] == begin[0]
    assert truth.burn_end_s[0, 0] == end[0]


def test_spark_states_follow_the_conduction_time():
    truth = run(realistic(), realistic(dwell_s=0.42e-3), realistic(breakdown_V=60e3)).truth
    duration = np.array([sum(np.diff(truth.intervals(row, 0), axis=1)[:, 0]) for row in range(3)])
    expected = np.where(duration >= FLASH_S, "yes", np.where(duration > 0, "flash", "no"))
    assert (truth.spark[:, 0] == expected).all()
    assert truth.spark[0, 0] == "yes"
    assert truth.spark[2, 0] == "no"
    assert (truth.spark[:, 1] == "no").all()


def test_truth_can_be_taken_apart():
    coils = typical_coils(5, np.random.default_rng(2), shared=True)
    truth = integrate_circuit(coils, np.random.default_rng(3)).truth
    part = truth.take(np.array([3, 1]))
    assert len(part) == 2
    for place, row in enumerate((3, 1)):
        for end in range(2):
            assert (part.intervals(place, end) == truth.intervals(row, end)).all()
    assert (part.burn_end_s == truth.burn_end_s[[3, 1]]).all()


def test_intervals_agree_with_the_instants():
    coils = typical_coils(20, np.random.default_rng(6), shared=np.arange(20) % 2 == 1)
    truth = integrate_circuit(coils, np.random.default_rng(7)).truth
    assert (truth.interval_stop_s > truth.interval_start_s).all()
    for row in range(20):
        for end in range(2 if coils.shared[row] else 1):
            intervals = truth.intervals(row, end)
            assert (intervals[1:, 0] >= intervals[:-1, 1]).all()
            counted = truth.interval_strike[(truth.interval_event == row) & (truth.interval_end == end)] == 0
            assert intervals[counted][0, 0] == truth.breakdown_s[row, end]
            assert truth.burn_end_s[row, end] in intervals[:, 1]
            assert counted.sum() == truth.restrikes[row, end] + 1 + truth.after_flashes[row, end]
