"""Engines of other structure than the usual."""

from __future__ import annotations

import numpy as np
import pytest

from sigkit.errors import SettingsError, SimulationError
from sigkit.simulate.burn_stretch import FADE_S, FADE_SOFT_S
from sigkit.simulate.circuit_modes import DIODE_F
from sigkit.simulate.circuit_parameters import concatenate
from sigkit.simulate.engine import draw_engine
from sigkit.simulate.integrate_circuit import integrate_circuit
from sigkit.simulate.study_recipe import StudyRecipe
from sigkit.simulate.textbook_coil import textbook_coil

COIL = {
    "primary_inductance_H": 3e-3, "primary_resistance_ohm": 0.6, "secondary_inductance_H": 21.0,
    "secondary_resistance_ohm": 6e3, "secondary_capacitance_F": 80e-12, "coupling": 0.975, "core_loss_ohm": 2.5e6,
    "current_limit_A": 20.0, "dwell_s": 1.6e-3, "winding_sign": -1, "series_ohm": 8e3, "plug_capacitance_F": 10e-12,
    "breakdown_V": 9e3, "rebreakdown_V": 6e3, "gap_length_m": 0.8e-3, "pressure_bar": 7.0, "stretch_m_per_s": 1.0,
    "hold_current_A": 4e-3, "switch_on_ohm": 0.1, "primary_damping_ohm": 6e3, "column_inertia_s": 20e-6,
    "tower_leak_ohm": 30e6,
}  # fmt: skip


def test_where_the_fall_stays_the_end_shows_later():
    coils = [textbook_coil(**COIL, soft_end=0.3), textbook_coil(**COIL, soft_end=0.3)]
    both = concatenate(coils).with_(fall_stays=np.array([[False, False], [True, True]]))
    event = integrate_circuit(both, np.random.default_rng(0))
    ends = event.truth.burn_end_s[:, 0]
    # Truth is the instant at which the current falls to the holding current, whatever the gap does then.
    assert ends[0] == pytest.approx(ends[1], abs=1e-7)
    change = []
    for row in range(2):
        level = np.abs(event.sample("tower_0_V", row, ends[row] + np.array([0.0, 10e-6])))
        change.append(abs(level[1] / level[0] - 1.0))
    assert change[1] < 0.5 * change[0]
    # While the gap still conducts it takes energy.
    assert event.truth.gap_energy_J[1, 0] > event.truth.gap_energy_J[0, 0]


def test_a_column_that_keeps_its_fall_shows_no_rise_where_the_current_goes():
    coils = [textbook_coil(**COIL, soft_end=0.1), textbook_coil(**COIL, soft_end=0.1)]
    both = concatenate(coils).with_(fall_stays=np.ones((2, 2), dtype=bool), column_ohm=np.array([[0, 0], [2e3, 2e3]]))
    event = integrate_circuit(both, np.random.default_rng(0))
    fade_s = FADE_S + 0.1 * FADE_SOFT_S
    rise = []
    for row in range(2):
        end = event.truth.burn_end_s[row, 0]
        times = end + np.array([-200e-6, 0.0, fade_s, 6 * fade_s])
        level = np.abs(event.sample("tower_0_V", row, times))
        rise.append(level / level[1] - 1.0)
    # By the glow law the voltage rises before the end; over a steady column it falls slowly with the current, nothing
    # shows for a time constant of the fading behind it, and much later it does.
    assert rise[0][0] < -0.1
    assert 0 < rise[1][0] < 0.1
    assert abs(rise[1][2]) < 0.03
    assert abs(rise[1][3]) > 0.1


def test_behind_a_blocking_diode_the_lead_keeps_its_charge():
    leak = 10e6
    coils = [textbook_coil(**{**COIL, "tower_leak_ohm": leak}), textbook_coil(**{**COIL, "tower_leak_ohm": leak})]
    both = concatenate(coils).with_(blocking_diode=np.array([False, True]))
    event = integrate_circuit(both, np.random.default_rng(0))
    late = event.truth.burn_end_s[:, 0][:, None] + np.array([0.4e-3, 0.8e-3, 1.2e-3])
    free, blocked = event.sample("tower_0_V", np.arange(2), late)
    assert (np.abs(free) < 0.2 * np.abs(blocked)).all()
    # What is left goes over the leak, exponentially: lead and plug with the diode's own capacitance behind the winding.
    farad = COIL["secondary_capacitance_F"] + COIL["plug_capacitance_F"] + DIODE_F
    assert blocked[:-1] / blocked[1:] == pytest.approx(np.exp(0.4e-3 / (leak * farad)), rel=0.02)
    # Nothing turns back through the winding: the voltage keeps the firing's sign.
    assert (event.sample("tower_0_V", 1, np.linspace(0.05e-3, 4e-3, 400)) < 0).all()
    with pytest.raises(SimulationError, match="single coils only"):
        integrate_circuit(both.with_(shared=np.array([True, True])), np.random.default_rng(0))


def test_the_usual_engines_stay_what_they_were():
    usual = [draw_engine(StudyRecipe(), np.random.default_rng(seed), "e") for seed in range(5)]
    for engine in usual:
        assert not engine.lead["fall_stays"].any()
        assert not engine.lead["rotor_gap_V"].any()
        assert not engine.lead["column_ohm"].any()
        assert not engine.coil["blocking_diode"].any()
        assert not engine.coil["joint_capacitance_F"].any()
    other = [draw_engine(StudyRecipe(structure_share=1.0), np.random.default_rng(seed), "e") for seed in range(40)]
    assert any(engine.lead["fall_stays"].all() for engine in other)
    steady = [engine.lead for engine in other if engine.lead["column_ohm"].any()]
    assert 0 < len(steady) < len(other)
    assert all((lead["fall_stays"] == (lead["soft_end"] > 0)).all() for lead in steady)
    assert any((engine.lead["rotor_gap_V"] > 1e3).all() for engine in other)
    assert all(not engine.lead["rotor_gap_V"].any() for engine in other if engine.shared)
    assert any(engine.coil["blocking_diode"].all() for engine in other)
    assert 0 < sum(engine.coil["joint_capacitance_F"].all() for engine in other) < len(other)
    assert not any(engine.coil["blocking_diode"].any() for engine in other if engine.shared)
    with pytest.raises(SettingsError, match="structure_share"):
        StudyRecipe(structure_share=1.5)


def test_two_sections_without_a_capacitance_between_them_are_one_winding():
    near, leakage = 0.4, 0.6
    # A joint that holds nothing leaves the sections in series: their inductances and twice what couples them.
    between = 1.0 - leakage * (1.0 - COIL["coupling"] ** 2)
    share = near**2 + (1.0 - near) ** 2 + 2.0 * near * (1.0 - near) * between
    alike = {**COIL, "secondary_inductance_H": COIL["secondary_inductance_H"] * share,
             "coupling": COIL["coupling"] / np.sqrt(share)}  # fmt: skip
    parts = concatenate([textbook_coil(**COIL), textbook_coil(**alike), textbook_coil(**COIL)])
    both = parts.with_(
        joint_capacitance_F=np.array([1e-15, 0.0, 60e-12]), section_share=np.full(3, near),
        section_leakage=np.full(3, leakage),
    )  # fmt: skip
    event = integrate_circuit(both, np.random.default_rng(0))
    truth = event.truth
    assert truth.breakdown_s[0, 0] == pytest.approx(truth.breakdown_s[1, 0], abs=0.1e-6)
    assert truth.burn_end_s[0, 0] == pytest.approx(truth.burn_end_s[1, 0], rel=2e-3)
    times = np.linspace(-1.4e-3, 4e-3, 4000)
    divided, single, loose = event.sample("tower_0_V", np.arange(3), np.tile(times, (3, 1)))
    far = np.abs(times - truth.breakdown_s[0, 0]) > 20e-6
    assert np.abs(divided - single)[far].max() < 0.01 * np.abs(single).max()
    # With a capacitance there the sections ring against each other when the gap breaks down.
    begin, end = truth.breakdown_s[2, 0], truth.burn_end_s[2, 0]
    burn = (times > begin + 20e-6) & (times < min(begin + 0.4e-3, end))
    rough = [np.abs(np.diff(level[burn], 2)).max() for level in (single, loose)]
    assert rough[1] > 1.5 * rough[0]
