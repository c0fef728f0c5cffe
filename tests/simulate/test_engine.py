"""Engines run in firing order at their speed; coils, gaps and conditions follow the trade's ranges.

Firing orders, companion sparks and directions: common practice, no source, unless named.
"""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
import pytest

from sigkit.errors import SettingsError, SimulationError
from sigkit.simulate.circuit_parameters import concatenate
from sigkit.simulate.conditions import COIL_CONDITIONS
from sigkit.simulate.engine import FIRING_ORDERS, SHARED_COIL_PAIRS, Engine, draw_engine
from sigkit.simulate.engine_run import event_drivers, event_severity, run_engine
from sigkit.simulate.event_drivers import circuit, coil_current_A, coil_energy_J, median_breakdown_V
from sigkit.simulate.integrate_circuit import integrate_circuit
from sigkit.simulate.study_recipe import StudyRecipe
from sigkit.types.firing_table import CONDITIONS


def drawn(seed: int = 1, **changes: Any) -> Engine:
    return draw_engine(StudyRecipe(**changes), np.random.default_rng(seed), "ferry")


@pytest.mark.parametrize("cylinders", [1, 2, 3, 4, 5, 6])
def test_every_cylinder_fires_once_a_cycle_in_firing_order(cylinders: int) -> None:
    engine = drawn(cylinders=(cylinders,), ignition_types=("coil_on_plug",), missing_share=0.0)
    run = run_engine(engine, np.random.default_rng(2), speed_rpm=1500.0, load=0.5, cycles=7)
    assert sorted(engine.firing_order) == list(range(1, cylinders + 1))
    assert len(run) == 7 * cylinders
    fired = [engine.coils[coil][0] for coil in run.coil]
    assert fired == list(FIRING_ORDERS[cylinders]) * 7
    assert not run.skipped.any()


def test_two_turns_make_a_cycle() -> None:
    engine = dataclasses.replace(drawn(cylinders=(4,)), speed_scatter=0.0)
    run = run_engine(engine, np.random.default_rng(2), speed_rpm=3000.0, load=0.5, cycles=200)
    # 3000 turns a minute, two turns a cycle: 40 ms a cycle, drift at most 1 %.
    assert run.off_s[-1] / (len(run) - 1) * 4 == pytest.approx(0.040, rel=0.011)
    assert np.all(np.abs(run.speed_rpm / 3000.0 - 1) <= 0.01 + 1e-12)


def test_speed_scatters_from_firing_to_firing_as_stated() -> None:
    engine = dataclasses.replace(drawn(cylinders=(4,)), speed_scatter=0.008)
    run = run_engine(engine, np.random.default_rng(3), speed_rpm=1000.0, load=0.5, cycles=500)
    # Neighbours differ by the root of two times the scatter; the drift cancels.
    assert np.diff(run.speed_rpm).std() / np.sqrt(2) / 1000.0 == pytest.approx(0.008, rel=0.08)


@pytest.mark.parametrize("cylinders", [2, 4, 6])
def test_partners_on_a_shared_coil_take_turns_at_power_and_waste(cylinders: int) -> None:
    engine = drawn(cylinders=(cylinders,), ignition_types=("shared_coil",))
    assert engine.coils == SHARED_COIL_PAIRS[cylinders]
    order = FIRING_ORDERS[cylinders]
    for first, second in engine.coils:  # companions stand one turn apart: half the firing order
        assert abs(order.index(first) - order.index(second)) == cylinders // 2
    run = run_engine(engine, np.random.default_rng(4), speed_rpm=1200.0, load=0.5, cycles=6)
    drivers = event_drivers(run, np.random.default_rng(5))
    for coil in range(len(engine.coils)):
        own = run.coil == coil
        assert own.sum() == 12
        assert np.all(np.diff(run.power_end[own]) != 0)
    assert np.all(drivers.compression.sum(axis=1) == 1)


@pytest.mark.parametrize("cylinders", [1, 3, 5])
def test_odd_engines_have_a_coil_on_each_plug(cylinders: int) -> None:
    assert drawn(cylinders=(cylinders,), ignition_types=("shared_coil",)).ignition_type == "coil_on_plug"


def test_companion_spark_needs_one_to_four_kilovolt_and_less_than_the_power_spark() -> None:
    engine = drawn(cylinders=(4,), ignition_types=("shared_coil",), faulty_share=0.0, missing_share=0.0)
    run = run_engine(engine, np.random.default_rng(6), speed_rpm=1500.0, load=0.6, cycles=20)
    drivers = event_drivers(run, np.random.default_rng(7))
    need_V = median_breakdown_V(drivers)
    at = np.arange(len(run))
    power, waste = need_V[at, run.power_end], need_V[at, 1 - run.power_end]
    assert np.all(waste < power)
    assert np.all((waste > 0.8e3) & (waste < 4e3))
    assert 5e3 < np.median(power) < 15e3


@pytest.mark.parametrize("reversed_polarity", [False, True])
def test_positive_centre_electrode_needs_ten_to_twenty_per_cent_more(reversed_polarity: bool) -> None:
    engine = drawn(cylinders=(4,), ignition_types=("coil_on_plug",), faulty_share=0.0)
    turned = dataclasses.replace(engine, reversed_polarity=np.full(4, reversed_polarity))
    run = run_engine(turned, np.random.default_rng(8), speed_rpm=1500.0, load=0.4, cycles=3)
    drivers = event_drivers(run, np.random.default_rng(9))
    wanted_sign = 1 if reversed_polarity else -1
    assert np.all(drivers.parameters.winding_sign == wanted_sign)
    if reversed_polarity:
        assert np.all((drivers.polarity_factor[:, 0] >= 1.1) & (drivers.polarity_factor[:, 0] <= 1.2))
    else:
        assert np.all(drivers.polarity_factor[:, 0] == 1.0)


def test_load_raises_pressure_and_demand() -> None:
    engine = drawn(cylinders=(4,), ignition_types=("coil_on_plug",), faulty_share=0.0)
    needs = []
    for load in (0.1, 0.4, 0.7, 1.0):
        run = run_engine(engine, np.random.default_rng(10), speed_rpm=2500.0, load=load, cycles=30)
        drivers = event_drivers(run, np.random.default_rng(11))
        needs.append(np.median(median_breakdown_V(drivers)[:, 0]))
    assert np.all(np.diff(needs) > 0)
    assert 3e3 < needs[0] < 15e3
    assert needs[-1] < 25e3


def test_coils_lie_in_the_ranges_of_the_trade() -> None:
    # Primary 0.5-8 mH and 0.3-3 ohm, secondary 5-60 H and 4-15 kohm, coupling 0.9-0.99, 5-12 A, at most
    # 100 mJ, clamp 350-450 V: common practice, no source.
    for seed in range(30):
        engine = drawn(seed)
        coil = engine.coil
        for name, low, high in (
            ("primary_inductance_H", 0.5e-3, 8e-3), ("primary_resistance_ohm", 0.3, 3.0),
            ("secondary_inductance_H", 5.0, 90.0), ("secondary_resistance_ohm", 4e3, 15e3),
            ("coupling", 0.9, 0.99), ("clamp_V", 330.0, 470.0),
        ):  # fmt: skip
            assert np.all((coil[name] >= low) & (coil[name] <= high)), name
        run = run_engine(engine, np.random.default_rng(seed), speed_rpm=1000.0, load=0.5, cycles=2)
        drivers = event_drivers(run, np.random.default_rng(seed))
        assert np.all(coil_energy_J(drivers) < 0.105)
        assert np.all((coil_current_A(drivers) > 4.0) & (coil_current_A(drivers) < 12.0))


def test_dwell_control_aims_at_a_current_and_gives_way_at_high_speed() -> None:
    engine = drawn(cylinders=(4,), ignition_types=("shared_coil",), faulty_share=0.0)
    slow, fast = (
        event_drivers(run_engine(engine, np.random.default_rng(1), speed_rpm=rpm, load=0.5, cycles=4),
                      np.random.default_rng(2)).parameters.dwell_s
        for rpm in (900.0, 8000.0)
    )  # fmt: skip
    assert np.all(fast <= 0.4 * 60.0 / 8000.0 * 1.05)
    assert np.all(slow >= fast * 0.999)


def test_missing_firings_have_their_share() -> None:
    engine = dataclasses.replace(drawn(cylinders=(4,), ignition_types=("coil_on_plug",)),
                                 missing_rate=np.array([0.0, 0.3, 0.0, 0.0]))  # fmt: skip
    run = run_engine(engine, np.random.default_rng(12), speed_rpm=1500.0, load=0.5, cycles=400)
    assert not run.skipped[run.coil != 1].any()
    # Binomial, 400 draws: standard deviation 0.023.
    assert run.skipped[run.coil == 1].mean() == pytest.approx(0.3, abs=0.08)


def test_conditions_of_a_coil_are_at_both_its_ends() -> None:
    seen = 0
    for seed in range(40):
        engine = drawn(seed, cylinders=(4,), ignition_types=("shared_coil",), conditions=COIL_CONDITIONS,
                       faulty_share=1.0, severity=(0.5, 1.0))  # fmt: skip
        for values in engine.severity.values():
            assert np.array_equal(values[:, 0], values[:, 1])
            seen += np.count_nonzero(values)
    assert seen == 40 * 2 * 2


def test_every_condition_is_drawn_about_equally_often() -> None:
    counts = dict.fromkeys(CONDITIONS[1:], 0)
    for seed in range(300):
        engine = drawn(seed, cylinders=(6,), ignition_types=("coil_on_plug",), faulty_share=0.5, second_share=0.0,
                       severity=(0.2, 1.0))  # fmt: skip
        for name, values in engine.severity.items():
            counts[name] += np.count_nonzero(values[:, 0])
    # 300 engines, 6 leads, half of them faulty, ten conditions: 90 each, standard deviation below 10.
    assert sum(counts.values()) == pytest.approx(900, abs=120)
    assert min(counts.values()) > 50
    assert max(counts.values()) < 135


def test_sound_recipe_draws_no_condition() -> None:
    engine = drawn(3, faulty_share=0.0, reversed_share=0.0, missing_share=0.0)
    assert not any(values.any() for values in engine.severity.values())
    assert not engine.reversed_polarity.any()
    assert not engine.missing_rate.any()


def test_charge_conditions_do_not_act_on_the_exhaust_stroke() -> None:
    engine = drawn(cylinders=(4,), ignition_types=("shared_coil",), faulty_share=0.0)
    severity = {**engine.severity, "low_compression": np.full((2, 2), 0.8)}
    engine = dataclasses.replace(engine, severity=severity)
    run = run_engine(engine, np.random.default_rng(1), speed_rpm=1500.0, load=0.5, cycles=3)
    drivers = event_drivers(run, np.random.default_rng(2))
    acting = event_severity(run, drivers)["low_compression"]
    assert np.array_equal(acting > 0, drivers.compression)


def test_same_seed_same_engine() -> None:
    one, two = drawn(5), drawn(5)
    assert one.firing_order == two.firing_order
    for part in ("coil", "lead", "severity"):
        for name, values in getattr(one, part).items():
            assert np.array_equal(values, getattr(two, part)[name]), name


def test_repeat_strikes_only_at_low_speed_and_recharge_the_coil() -> None:
    engine = drawn(cylinders=(4,), ignition_types=("coil_on_plug",), faulty_share=0.0)
    engine = dataclasses.replace(engine, coil={**engine.coil, "repeat_strikes": np.full(4, 2)})
    slow = run_engine(engine, np.random.default_rng(1), speed_rpm=800.0, load=0.3, cycles=1)
    quick = run_engine(engine, np.random.default_rng(1), speed_rpm=4000.0, load=0.3, cycles=1)
    drivers = event_drivers(slow, np.random.default_rng(2))
    assert np.all(drivers.parameters.repeat_strikes == 2)
    assert np.all(event_drivers(quick, np.random.default_rng(2)).parameters.repeat_strikes == 0)
    truth = integrate_circuit(circuit(drivers), np.random.default_rng(3)).truth
    assert np.all(np.isfinite(truth.coil_off_s[:, :3]))
    assert np.all(truth.coil_on_s[:, 1:3] > truth.coil_off_s[:, :2])
    assert np.all(np.isfinite(truth.strike_breakdown_s[:, 0, :3]))


def test_sound_engine_fires_within_the_trade_ranges() -> None:
    """Firing 5-15 kV and burn time 0.8-2.0 ms (an open preparation text for the ASE L1 test), burn about 1-3 kV at
    the coil (Kershaw, textbook, 5th edition, p. 241), as medians from idle to medium load.
    """
    parts = []
    for seed in range(6):
        engine = drawn(seed, cylinders=(4,), ignition_types=("coil_on_plug",), faulty_share=0.0,
                       reversed_share=0.0, missing_share=0.0)  # fmt: skip
        run = run_engine(engine, np.random.default_rng(seed), speed_rpm=800.0 + 300.0 * seed, load=0.2 + 0.06 * seed,
                         cycles=2)  # fmt: skip
        parts.append(circuit(event_drivers(run, np.random.default_rng(seed))).with_(
            repeat_strikes=np.zeros(len(run), dtype=np.int64)))  # fmt: skip
    truth = integrate_circuit(concatenate(parts), np.random.default_rng(1)).truth
    assert np.all(truth.spark[:, 0] == "yes")
    assert 5e3 < np.median(np.abs(truth.firing_voltage_V[:, 0])) < 15e3
    assert 1e3 < np.median(np.abs(truth.burn_voltage_V[:, 0])) < 3e3
    burn_ms = (truth.burn_end_s - truth.breakdown_s)[:, 0] * 1e3
    assert 0.8 < np.median(burn_ms) < 2.0


def test_unknown_cylinder_is_named() -> None:
    with pytest.raises(SimulationError, match="no cylinder 9"):
        drawn(cylinders=(4,)).place_of(9)


@pytest.mark.parametrize(
    ("changes", "text"),
    [
        ({"engines": 0}, "engines is 0"),
        ({"severity": (0.9, 0.1)}, "exceeds the second"),
        ({"bits": ()}, "bits is empty"),
        ({"conditions": ("tired",)}, "'tired' is unknown"),
        ({"sample_rates_Hz": (1.0,)}, "sample_rates_Hz is 1.0"),
        ({"cylinders": (12,)}, "cylinders is 12"),
        ({"recordings": ()}, "recordings is empty"),
        ({"nuisance": -1.0}, "nuisance is -1.0"),
        ({"engine_speed_rpm": (10.0, 900.0)}, "engine_speed_rpm is 10.0"),
    ],
)
def test_impossible_recipes_are_refused(changes: dict, text: str) -> None:
    with pytest.raises(SettingsError, match=text):
        StudyRecipe(**changes)
