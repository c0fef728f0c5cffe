"""The general rivals on signals whose answer is known without them."""

import warnings
from pathlib import Path

import numpy as np
import pytest

from sigkit.types.capture import Capture
from sigkit.types.channel import Channel
from sigkit.types.firing_table import CONDITIONS
from sigkit.types.firings import Firings

BASELINES = Path(__file__).parents[2] / "benchmarks" / "baselines"


@pytest.fixture(autouse=True)
def _package_on_the_path(monkeypatch):
    monkeypatch.syspath_prepend(str(BASELINES))


def drawn_record(count=4, rate=1e6, seed=0):
    """Return a record of drawn firings with breakdown 10 us and end of the burn 1210.4 us behind each position."""
    rng = np.random.default_rng(seed)
    position = (np.arange(count) * 15e-3 * rate + 3e-3 * rate).astype(np.int64)
    t = np.arange(round(count * 15e-3 * rate)) / rate
    y = np.zeros(t.size)
    for at in position / rate:
        s = (t - at) * 1e6
        y += np.where((s >= 0) & (s <= 10), s, 0.0)
        y += np.where((s > 10) & (s <= 1210.4), 1.0 + 9.0 * np.exp(-np.clip(s - 10, 0, 1400) / 2.0), 0.0)
        ring = s - 1210.4
        swing = np.cos(ring / 20.0) - 0.4 * np.sin(ring / 20.0)
        y += np.where(ring > 0, np.exp(-np.maximum(ring, 0.0) / 150.0) * swing, 0.0)
    y += 0.01 * rng.standard_normal(y.size)
    channel = Channel("1", y, rate, unit="V", kind="secondary_voltage")
    firings = Firings("1", position, position - 2000, np.minimum(position + 11000, y.size),
                      np.ones(count, np.int8), np.arange(count))  # fmt: skip
    return channel, firings


def test_pulse_duration_of_a_trapezoid():
    """IEEE 181: 0-10 V, up from 10 to 20 us, down from 60 to 80 us: a pulse of 55 us (arithmetic)."""
    from sigkit_baselines.half_level import half_level_crossings, state_levels
    from sigkit_baselines.signed_windows import SignedWindows

    t = np.arange(400.0)
    y = np.interp(t, [0, 110, 120, 160, 180], [0, 0, 10, 10, 0])
    # In samples of 10 us, so that the 60 us about the peak, which the histogram leaves out, are a part of the top.
    windows = SignedWindows(np.array([0]), y[None, :], np.array([0]), np.array([120]), 1e5)
    assert state_levels(y) == pytest.approx((0.0, 10.0), abs=0.05)
    begin, end = half_level_crossings(windows)
    assert end[0] - begin[0] == pytest.approx(55.0, abs=0.2)


@pytest.mark.parametrize("name, reach_us", [("NearTwoPiece", 3.0), ("HalfLevel", 60.0)])
def test_locators_on_drawn_firings(name, reach_us):
    from sigkit_baselines import half_level, two_piece

    kind = getattr(two_piece, name, None) or getattr(half_level, name)
    channel, firings = drawn_record()
    found = kind().locate(channel, firings)
    burn_us = (found.burn_end.position - found.breakdown.position) / channel.sample_rate_Hz * 1e6
    assert np.abs(burn_us - 1200.4).max() < reach_us
    assert np.isnan(found.burn_end.u).all()


def test_thresholds_find_the_neighbourhood():
    from sigkit_baselines.derivative import DerivativeInstants
    from sigkit_baselines.peak_instants import PeakInstants

    channel, firings = drawn_record()
    for kind in (DerivativeInstants, PeakInstants):
        found = kind().locate(channel, firings)
        end_us = (found.burn_end.position - firings.position) / channel.sample_rate_Hz * 1e6
        assert np.abs(end_us - 1210.4).max() < 60.0


def test_the_change_point_library_finds_the_neighbourhood():
    pytest.importorskip("ruptures")
    from sigkit_baselines.change_point import ChangePoint

    channel, firings = drawn_record()
    found = ChangePoint().locate(channel, firings)
    end_us = (found.burn_end.position - firings.position) / channel.sample_rate_Hz * 1e6
    assert np.abs(end_us - 1210.4).max() < 60.0


@pytest.mark.parametrize("name", ["AmplitudeThreshold", "ProminentPeaks", "DerivativeThreshold", "MatchedFilter"])
@pytest.mark.parametrize("sign", [1, -1])
def test_detectors_find_every_drawn_firing_and_no_other(name, sign):
    from sigkit_baselines import record_detectors

    channel, firings = drawn_record(6, 2e5)
    capture = Capture("c", (channel.with_(samples=sign * channel.samples),))
    found = getattr(record_detectors, name)(0.5).detect(capture)[0]
    assert len(found) == len(firings)
    assert np.abs(found.position - firings.position).max() <= 0.2e-3 * 2e5
    assert (found.polarity == sign).all()


def test_detectors_say_nothing_of_a_dead_channel():
    from sigkit_baselines import record_detectors

    dead = Capture("c", (Channel("1", np.zeros(5000), 1e5),))
    for name in ("AmplitudeThreshold", "ProminentPeaks", "DerivativeThreshold", "MatchedFilter"):
        assert len(getattr(record_detectors, name)().detect(dead)[0]) == 0


def test_each_trade_rule_names_its_own_condition():
    from sigkit_baselines.trade_rules import RULES, TradeRules

    assert set(RULES) == set(CONDITIONS)
    marked = 0.5 * np.array([RULES[name] for name in CONDITIONS], dtype=float)
    # Damping comes as the lead's own and its difference from the siblings', here 0.1 for those.
    own = 0.1 * np.exp(marked[:, 4])
    features = np.column_stack([marked[:, :4], marked[:, 5], own, own - 0.1])
    judged = TradeRules(0.1).judge(features)
    # These two are one rule: their directions are the same.
    twin = {"low_compression": "narrow_gap"}
    assert judged.condition.tolist() == [twin.get(name, name) for name in CONDITIONS]
    assert judged.probability.sum(axis=1) == pytest.approx(1.0)


@pytest.mark.parametrize("module, name", [("minirocket", "MiniRocketConditions"), ("catch22_forest", "Catch22Forest"),
                                          ("dtw_nearest", "DtwNearest")])  # fmt: skip
def test_window_classifiers_learn_two_shapes(module, name):
    pytest.importorskip("aeon")
    import importlib

    rng = np.random.default_rng(2)
    n, m = 60, 160
    labels = np.where(np.arange(n) % 2, "normal", "fouled_plug")
    engines = np.array([f"e{i // 6}" for i in range(n)])
    shape = np.where(np.arange(n)[:, None] % 2, np.exp(-np.arange(m) / 10.0), np.sin(np.arange(m) / 5.0))
    X = (shape + 0.05 * rng.standard_normal((n, m))).astype(np.float32)
    with warnings.catch_warnings():
        # Compiled libraries warn of their own casts and deprecations; what is tested is the answer.
        warnings.simplefilter("ignore")
        made = getattr(importlib.import_module(f"sigkit_baselines.{module}"), name)()
        judged = made.fit(X[:40], labels[:40], engines[:40]).judge(X[40:])
    assert (judged.condition == labels[40:]).all()
    assert judged.probability.sum(axis=1) == pytest.approx(1.0)
