"""Rivals for roles and screening on tables whose answer is known without them."""

from __future__ import annotations

from importlib import import_module
from pathlib import Path

import numpy as np
import pytest

from sigkit.types.capture import Capture
from sigkit.types.channel import Channel
from sigkit.types.firing_table import empty_table

BASELINES = Path(__file__).parents[2] / "benchmarks" / "baselines"
ROLES = ("HigherOfTwo", "AboveMedian", "TwoClusters", "OrderParity", "HigherEnd")
SCREENERS = ("RobustDeviation", "OutlierForest", "TradeLimits")


@pytest.fixture
def rival(monkeypatch):
    monkeypatch.syspath_prepend(str(BASELINES))

    def load(name):
        module = "role_rules" if name in ROLES else "screening_scores"
        return getattr(import_module(f"sigkit_baselines.{module}"), name)

    return load


def coil(power, ignition_type="shared_coil"):
    """Return (table, captures) of a coil with both ends recorded; ``power`` says when the first is at power."""
    channels = tuple(
        Channel(f"c{lead}", np.zeros(4), 1e5, kind="secondary_voltage", lead=lead, cylinder=lead) for lead in "14"
    )
    capture = Capture("a", channels, ignition_type=ignition_type, shared_coil_pairs=(("1", "4"),), engine="heron")
    count = len(power)
    table = empty_table(2 * count)
    table["capture"][:], table["engine"][:] = "a", "heron"
    table["channel"][:] = np.repeat(["c1", "c4"], count)
    table["event"], table["firing"] = np.tile(np.arange(count), 2), np.tile(np.arange(count), 2)
    table["time_s"] = 0.05 * table["event"]
    at_power = np.concatenate([power, ~np.asarray(power)])
    for name, high, low in (("firing_level", 9.0, 2.5), ("peak_level", 9.0, 2.5), ("burn_level", 1.5, 1.1)):
        table[name] = np.where(at_power, high, low) * (1 + 0.01 * np.cos(np.arange(2 * count)))
    return table, [capture], np.where(at_power, "power", "waste")


@pytest.mark.parametrize("column", ["firing_level", "burn_level"])
@pytest.mark.parametrize("name", ROLES)
def test_clear_alternation_is_told_by_every_rule(rival, name, column):
    table, captures, expected = coil(np.arange(8) % 2 == 0)
    np.testing.assert_array_equal(rival(name)(column).judge_roles(table, captures), expected)


@pytest.mark.parametrize("name", ROLES)
def test_a_coil_on_each_plug_is_single_and_nothing_measured_is_unknown(rival, name):
    table, captures, _ = coil(np.arange(6) % 2 == 0, "coil_on_plug")
    assert set(rival(name)().judge_roles(table, captures)) == {"single"}
    table, captures, _ = coil(np.arange(6) % 2 == 0)
    for column in ("firing_level", "peak_level", "burn_level"):
        table[column][:] = np.nan
    assert set(rival(name)().judge_roles(table, captures)) == {"unknown"}


def test_rules_differ_where_the_order_is_not_strict(rival):
    power = np.array([True, False, False, True, False, True, True, False])
    table, captures, expected = coil(power)
    for name in ("AboveMedian", "TwoClusters", "HigherEnd"):
        np.testing.assert_array_equal(rival(name)().judge_roles(table, captures), expected)
    assert (rival("OrderParity")().judge_roles(table, captures) != expected).any()


@pytest.mark.parametrize("name", SCREENERS)
def test_the_odd_capture_ranks_first(rival, name):
    rng = np.random.default_rng(2)
    captures = [Capture(f"a{k}", (Channel("U", np.zeros(4), 1e5),), engine="heron") for k in range(10)]
    table = empty_table(80)
    table["capture"][:] = np.repeat([one.name for one in captures], 8)
    table["channel"][:], table["engine"][:], table["role"][:] = "U", "heron", "single"
    table["sparked"][:], table["firing"] = "yes", np.tile(np.arange(8), 10)
    usual = {"firing_level": 9.0, "burn_level": 1.5, "burn_time_ms": 1.4, "ring_damping_ratio": 0.1,
             "firing_voltage_kV": 9.0, "burn_voltage_kV": 1.5}  # fmt: skip
    for column, value in usual.items():
        table[column] = value * np.exp(0.05 * rng.standard_normal(80))
    odd = table["capture"] == "a6"
    table["burn_time_ms"][odd] *= 0.4
    table["firing_level"][odd] *= 2.2
    table["firing_voltage_kV"][odd] *= 2.2
    score = rival(name)().score_captures(table, captures)
    assert max(score, key=score.get) == "a6"
    assert all(np.isfinite(value) for value in score.values())
