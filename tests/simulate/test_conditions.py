"""Conditions change physical parameters, and the firing follows in the direction the trade knows.

Directions marked "common practice, no source" are trade knowledge relative to a sound lead at the same load.
"""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
import pytest

from sigkit.errors import SimulationError
from sigkit.simulate.circuit_parameters import CircuitParameters, concatenate
from sigkit.simulate.condition_onsets import CONDITION_ONSETS, ONSET, beyond_onset, dominant_condition
from sigkit.simulate.conditions import CONDITION_CHANGES, ENERGY_CAUSES, apply_conditions
from sigkit.simulate.engine import draw_engine
from sigkit.simulate.engine_run import event_drivers, run_engine
from sigkit.simulate.event_drivers import EventDrivers, circuit, coil_current_A, coil_energy_J, median_breakdown_V
from sigkit.simulate.event_truth import EventTruth
from sigkit.simulate.event_waveforms import EventWaveforms
from sigkit.simulate.integrate_circuit import integrate_circuit
from sigkit.simulate.study_recipe import StudyRecipe
from sigkit.types.firing_table import CONDITIONS

SEVERITIES = (0.0, 0.35, 0.7, 1.0)
EVENTS = 24


def sound_drivers(ignition_type: str = "coil_on_plug", seed: int = 3) -> EventDrivers:
    """Return events of a sound four-cylinder engine at light load, gaps as new."""
    rng = np.random.default_rng(seed)
    recipe = StudyRecipe(cylinders=(4,), ignition_types=(ignition_type,), faulty_share=0.0, missing_share=0.0,
                         reversed_share=0.0)  # fmt: skip
    engine = draw_engine(recipe, rng, "ferry")
    coil = {**engine.coil, "repeat_strikes": np.zeros_like(engine.coil["repeat_strikes"])}
    lead = {**engine.lead, "soft_end": np.zeros_like(engine.lead["soft_end"]),
            "gap_length_m": engine.lead["nominal_gap_m"].copy()}  # fmt: skip
    engine = dataclasses.replace(engine, coil=coil, lead=lead)
    run = run_engine(engine, rng, speed_rpm=1200.0, load=0.25, cycles=EVENTS // 4)
    return event_drivers(run, rng)


def with_severity(drivers: EventDrivers, condition: str, severity: float, **more: Any) -> EventDrivers:
    return apply_conditions(drivers, {condition: np.full((len(drivers), 2), severity)}, **more)


@pytest.fixture(scope="module")
def swept() -> tuple[EventWaveforms, dict[tuple[str, float], np.ndarray]]:
    """Integrate the same events under every condition and severity, all in one batch."""
    sound = sound_drivers()
    parts: list[CircuitParameters] = []
    rows: dict[tuple[str, float], np.ndarray] = {}
    for condition in CONDITIONS[1:]:
        for severity in SEVERITIES:
            rows[condition, severity] = len(parts) * EVENTS + np.arange(EVENTS)
            parts.append(circuit(with_severity(sound, condition, severity)))
    return integrate_circuit(concatenate(parts), np.random.default_rng(1), after_s=7e-3), rows


def medians(swept: tuple, condition: str, quantity: str) -> np.ndarray:
    """Return the median of a quantity's size at each severity (NaN where no event has it)."""
    waveforms, rows = swept
    result = []
    for severity in SEVERITIES:
        truth: EventTruth = waveforms.truth
        own = rows[condition, severity]
        if quantity == "burn_time_s":
            values = truth.burn_end_s[own, 0] - truth.breakdown_s[own, 0]
        else:
            column = getattr(truth, quantity)[own]
            values = np.abs(column if column.ndim == 1 else column[:, 0])
        finite = values[np.isfinite(values)]
        result.append(float(np.median(finite)) if finite.size else np.nan)
    return np.array(result)


@pytest.mark.parametrize(
    ("condition", "quantity", "direction"),
    [
        # Common practice, no source (each line).
        ("wide_gap", "firing_voltage_V", +1),
        ("wide_gap", "burn_voltage_V", +1),
        ("wide_gap", "burn_time_s", -1),
        ("narrow_gap", "firing_voltage_V", -1),
        ("narrow_gap", "burn_voltage_V", -1),
        ("narrow_gap", "burn_time_s", +1),
        ("high_resistance", "burn_voltage_V", +1),
        ("high_resistance", "burn_time_s", -1),
        ("lean_mixture", "firing_voltage_V", +1),
        ("lean_mixture", "burn_time_s", -1),
        ("low_compression", "firing_voltage_V", -1),
        ("low_compression", "burn_voltage_V", -1),
        ("low_compression", "burn_time_s", +1),
        ("low_coil_energy", "burn_time_s", -1),
        ("low_coil_energy", "stored_energy_J", -1),
    ],
)
def test_median_moves_one_way_with_severity(swept: tuple, condition: str, quantity: str, direction: int) -> None:
    values = medians(swept, condition, quantity)
    values = values[np.isfinite(values)]
    assert values.size >= 3
    assert np.all(np.diff(values) * direction > 0), values


@pytest.mark.parametrize("condition", ["high_resistance", "low_coil_energy"])
def test_demand_of_the_gap_stays(swept: tuple, condition: str) -> None:
    # Common practice, no source: the gap asks for the same; only a series drop adds a little on top.
    values = medians(swept, condition, "firing_voltage_V")
    assert values[1] == pytest.approx(values[0], rel=0.05)


def test_break_in_the_lead_asks_for_the_larger_of_two_voltages(swept: tuple) -> None:
    # Two gaps in series with little capacitance between them break down one after the other: the lead has to
    # reach the larger of both demands, not their sum (electrostatics; sizes are our rule 12 kV s / (1 - s)).
    peak = medians(swept, "open_secondary", "peak_voltage_V")
    assert peak[0] > 12e3 * 0.35 / 0.65
    assert peak[1] == pytest.approx(peak[0], rel=0.01)
    assert peak[2] == pytest.approx(12e3 * 0.7 / 0.3, rel=0.01)
    assert peak[3] > peak[2]


@pytest.mark.parametrize("condition", ["fouled_plug", "shorted_winding", "low_coil_energy"])
def test_severe_loss_leaves_less_than_a_sound_coil_gives(swept: tuple, condition: str) -> None:
    # Common practice, no source: shunt, shorted turns and weak coil shorten the burn or prevent the spark.
    waveforms, rows = swept
    truth = waveforms.truth
    sound, severe = rows[condition, 0.0], rows[condition, 1.0]
    burn = truth.burn_end_s[:, 0] - truth.breakdown_s[:, 0]
    left = np.nan_to_num(burn[severe])
    assert np.median(left) < 0.6 * np.median(burn[sound])


def test_open_lead_never_sparks_and_rings_longer(swept: tuple) -> None:
    # Common practice, no source: available voltage, no burn, large long ring.
    waveforms, rows = swept
    severe, sound = rows["open_secondary", 1.0], rows["open_secondary", 0.0]
    assert np.all(waveforms.truth.spark[severe, 0] == "no")
    assert np.all(waveforms.truth.spark[sound, 0] == "yes")
    early = np.linspace(0.1e-3, 1e-3, 500)
    severe_ring = np.std(waveforms.sample("tower_0_V", severe, early), axis=1)
    sound_ring = np.std(waveforms.sample("tower_0_V", sound, early + 1e-3), axis=1)
    assert np.median(severe_ring) > 3 * np.median(sound_ring)


@pytest.mark.parametrize("condition", ["fouled_plug", "shorted_winding"])
def test_losses_damp_the_ring(swept: tuple, condition: str) -> None:
    # Common practice, no source: shunt and shorted turns leave few cycles.
    waveforms, rows = swept
    swing = []
    for severity in (0.0, 0.35, 0.7):
        own = rows[condition, severity]
        behind = np.median(waveforms.truth.burn_end_s[own, 0]) + np.linspace(0.3e-3, 1.5e-3, 600)
        swing.append(np.median(np.std(waveforms.sample("tower_0_V", own, behind), axis=1)))
    assert swing[0] > swing[1] > swing[2]


def test_series_resistance_makes_the_burn_line_fall(swept: tuple) -> None:
    # Ohm's law: with falling current the drop over the added resistance falls, so the line slopes to zero.
    waveforms, rows = swept

    def fall(severity: float) -> float:
        own = rows["high_resistance", severity]
        truth = waveforms.truth
        begin, end = truth.breakdown_s[own, 0], truth.burn_end_s[own, 0]
        at = [begin + share * (end - begin) for share in (0.25, 0.75)]
        early, late = (np.abs(np.diagonal(waveforms.sample("tower_0_V", own, x))) for x in at)
        return float(np.median(early - late))

    assert fall(0.35) > fall(0.0) + 100.0
    assert fall(0.7) > fall(0.35)


def test_weak_insulation_makes_firing_voltages_low_and_erratic(swept: tuple) -> None:
    # Common practice, no source.
    waveforms, rows = swept
    severe, sound = (np.abs(waveforms.truth.firing_voltage_V[rows["insulation_leak", s], 0]) for s in (1.0, 0.0))
    assert np.median(severe) < 0.7 * np.median(sound)
    assert np.std(np.log(severe)) > 2 * np.std(np.log(sound))
    over = waveforms.truth.interval_path == 1
    assert set(waveforms.truth.interval_event[over]) <= set(np.concatenate(
        [rows["insulation_leak", s] for s in SEVERITIES[1:]]))  # fmt: skip


@pytest.mark.parametrize("condition", CONDITIONS[1:])
def test_severity_zero_is_normal(condition: str) -> None:
    sound = sound_drivers()
    same = with_severity(sound, condition, 0.0)
    for field in dataclasses.fields(CircuitParameters):
        assert np.array_equal(getattr(circuit(same), field.name), getattr(circuit(sound), field.name)), field.name
    assert np.all(dominant_condition(same)[:, 0] == "normal")


@pytest.mark.parametrize("condition", CONDITIONS[1:])
def test_change_is_continuous_at_zero_and_grows(condition: str) -> None:
    sound = sound_drivers()
    quantity = []
    for severity in (0.0, 1e-6, 0.25, 0.5, 0.75, 1.0):
        beyond = beyond_onset(with_severity(sound, condition, severity))[condition][:, 0]
        quantity.append(np.clip(beyond, -30.0, 30.0))
    assert np.all(np.diff(quantity, axis=0) >= -1e-12)
    assert np.all(quantity[-1] > 0)
    if condition not in ("fouled_plug", "insulation_leak", "high_resistance", "open_secondary"):
        # Where the quantity is a ratio, a tiny severity changes it by a tiny amount.
        assert quantity[1] == pytest.approx(quantity[0], abs=1e-4)


@pytest.mark.parametrize("condition", CONDITIONS[1:])
def test_severe_condition_is_named(condition: str) -> None:
    assert np.all(dominant_condition(with_severity(sound_drivers(), condition, 1.0))[:, 0] == condition)


@pytest.mark.parametrize(
    ("condition", "severity_at_onset"),
    [
        ("wide_gap", 0.2),  # 1 + 1.5 s = 1.3
        ("narrow_gap", 0.3 / 0.85),  # 1 - 0.85 s = 0.7
        ("lean_mixture", 0.25 / 0.8),  # 1 + 0.8 s = 1.25
        ("low_compression", 0.25 / 0.65),  # 1 - 0.65 s = 0.75
        ("low_coil_energy", 0.4 / 0.85),  # 1 - 0.85 s = 0.6
        ("shorted_winding", np.log(0.4) / np.log(0.02)),  # 0.02**s = 0.4
        ("open_secondary", 0.2),  # 12 kV s / (1 - s) = 3 kV
    ],
)
def test_onset_lies_where_the_rule_says(condition: str, severity_at_onset: float) -> None:
    sound = sound_drivers()
    for shift, sign in ((-0.01, -1), (0.01, 1)):
        beyond = beyond_onset(with_severity(sound, condition, severity_at_onset + shift))[condition][:, 0]
        assert np.all(np.sign(beyond) == sign)


def test_every_condition_has_one_rule_and_one_change() -> None:
    assert [rule.condition for rule in CONDITION_ONSETS] == list(CONDITIONS[1:])
    assert set(CONDITION_CHANGES) == set(CONDITIONS[1:]) == set(ONSET)
    assert all(rule.reason for rule in CONDITION_ONSETS)


@pytest.mark.parametrize("cause", range(len(ENERGY_CAUSES)))
def test_each_cause_leaves_the_wanted_share_of_energy(cause: int) -> None:
    sound = sound_drivers()
    weak = with_severity(sound, "low_coil_energy", 0.6, energy_cause=np.full(len(sound), cause))
    # Closed form of the RL charge (elementary circuit theory), half L times current squared.
    assert coil_energy_J(weak) == pytest.approx((1 - 0.85 * 0.6) * coil_energy_J(sound), rel=1e-9)
    if ENERGY_CAUSES[cause] != "weak_core":
        assert coil_current_A(weak) == pytest.approx(np.sqrt(0.49) * coil_current_A(sound), rel=1e-9)


def test_current_follows_the_exponential_of_an_rl_circuit() -> None:
    # 13.5 V, 1.5 ohm, 4 mH, 3 ms: 6.0781 A and 73.89 mJ (closed form, recomputed).
    n = len(sound_drivers())
    drivers = sound_drivers().with_(
        supply_V=np.full(n, 13.5), primary_resistance_ohm=np.full(n, 1.4), switch_on_ohm=np.full(n, 0.1),
        primary_inductance_H=np.full(n, 4e-3), dwell_s=np.full(n, 3e-3), current_limit_A=np.full(n, 60.0),
    )  # fmt: skip
    assert coil_current_A(drivers) == pytest.approx(6.0781, rel=5e-4)
    assert coil_energy_J(drivers) == pytest.approx(73.89e-3, rel=5e-4)


def test_demand_depends_on_density_not_on_pressure_alone() -> None:
    # Similarity law of gas discharges (Paschen): pressure and temperature doubled ask for the same voltage.
    sound = sound_drivers()
    denser = sound.with_(pressure_bar=2 * sound.parameters.pressure_bar, temperature_K=2 * sound.temperature_K)
    assert median_breakdown_V(denser) == pytest.approx(median_breakdown_V(sound), rel=1e-9)


def test_conditions_of_the_charge_spare_the_exhaust_stroke() -> None:
    shared = sound_drivers("shared_coil")
    for condition in ("lean_mixture", "low_compression"):
        change = median_breakdown_V(with_severity(shared, condition, 1.0)) / median_breakdown_V(shared)
        assert change[~shared.compression] == pytest.approx(1.0, rel=1e-12)
        assert np.all(np.abs(change[shared.compression] - 1.0) > 0.2)


def test_several_conditions_do_not_depend_on_their_order() -> None:
    sound = sound_drivers()
    some, more = np.full((EVENTS, 2), 0.4), np.full((EVENTS, 2), 0.8)
    one = circuit(apply_conditions(sound, {"wide_gap": some, "low_compression": more}))
    other = circuit(apply_conditions(sound, {"low_compression": more, "wide_gap": some}))
    for field in dataclasses.fields(CircuitParameters):
        assert np.array_equal(getattr(one, field.name), getattr(other, field.name))


@pytest.mark.parametrize("severity", [-0.1, 1.1, np.nan])
def test_severity_outside_its_range_is_refused(severity: float) -> None:
    with pytest.raises(SimulationError, match="severity of wide_gap"):
        with_severity(sound_drivers(), "wide_gap", severity)


def test_wrong_shape_and_unknown_names_are_refused() -> None:
    sound = sound_drivers()
    with pytest.raises(SimulationError, match=r"shape \(24, 2\)"):
        apply_conditions(sound, {"wide_gap": np.zeros(EVENTS)})
    with pytest.raises(SimulationError, match="unknown condition rusty_gap"):
        apply_conditions(sound, {"rusty_gap": np.zeros((EVENTS, 2))})
