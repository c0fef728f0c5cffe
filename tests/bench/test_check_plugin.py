"""The conformance kit: passes what keeps the contract, names what breaks it."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import numpy as np
import pytest

from sigkit.bench.check_plugin import check_class, check_plugin
from sigkit.contracts.classifier import Judgement
from sigkit.errors import PluginError
from sigkit.types.firings import Firings

EXAMPLE = Path(__file__).parents[2] / "benchmarks" / "plugin-example" / "ferry_plugins.py"


@pytest.fixture(scope="module")
def example():
    spec = importlib.util.spec_from_file_location("ferry_plugins_under_test", EXAMPLE)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def problems(results):
    return {one.check: one.problem for one in results if not one.passed}


def test_the_example_package_passes_and_is_under_forty_lines_of_code(example):
    results = check_class(example.SteepRise, "detectors") + check_class(example.NearestMean, "classifiers")
    assert len(results) == 19
    assert problems(results) == {}
    code = [line for line in EXAMPLE.read_text(encoding="utf-8").splitlines() if line.strip()]
    assert len(code) < 40


def test_a_detector_that_breaks_its_contract_is_told_where(example):
    class Sloppy(example.SteepRise):
        calls = 0

        def detect(self, capture):
            type(self).calls += 1
            found = super().detect(capture)
            if capture.channels[0].samples.size:
                capture.channels[0].samples[0] += 0.0 if Sloppy.calls % 2 else 1.0
            return [Firings(f.channel, f.position + (Sloppy.calls % 3), f.start, f.stop, f.polarity, f.event)
                    for f in found]  # fmt: skip

    found = problems(check_class(Sloppy, "detectors"))
    assert any("determinism" in name for name in found)


def test_a_detector_with_a_fixed_threshold_is_not_invariant_to_gain_unless_it_says_so():
    class Fixed:
        name = "fixed"

        def detect(self, capture):
            answer = []
            for channel in capture.channels:
                y = channel.values()
                level = 2.0 if y.size and np.abs(y).max() > 2.0 else np.inf
                above = np.flatnonzero(np.abs(y) > level)
                first = above[np.r_[True, np.diff(above) > 500]] if above.size else above
                one = np.ones(first.size, np.int8)
                stop = np.minimum(first + 10, y.size)
                answer.append(Firings(channel.name, first, first, stop, one, np.arange(first.size)))
            return answer

    class Honest(Fixed):
        not_invariant_to = ("gain", "offset", "inversion")

    found = problems(check_class(Fixed, "detectors"))
    assert "invariance: inversion" in found
    assert "the polarity does not follow" in found["invariance: inversion"]
    assert not any(name.startswith("invariance: inversion") for name in problems(check_class(Honest, "detectors")))


def test_a_classifier_whose_probabilities_do_not_sum_to_one_is_refused():
    class Wrong:
        name, takes = "wrong", "features"

        def judge(self, X):
            best = np.full(len(X), "normal", dtype=object)
            return Judgement(("normal", "wide_gap"), np.full((len(X), 2), 0.4), best, best, 0.9)

    found = problems(check_class(Wrong, "classifiers"))
    assert "do not sum to 1" in found["contract: probabilities, best guess and set fit together"]


def test_an_exception_is_a_problem_and_not_fatal():
    class Failing:
        name = "failing"

        def detect(self, capture):
            raise RuntimeError("no licence")

    results = check_class(Failing, "detectors")
    assert len(results) == 11
    assert all("RuntimeError: no licence" in one.problem for one in results)


@pytest.mark.parametrize("name", ["wavelet_energy", "burn_line_slope", "oscillation_decay", "delimited", "numpy"])
def test_built_in_features_and_readers_pass(name):
    results = check_plugin(name)
    assert len(results) == 5
    assert problems(results) == {}


def test_an_unknown_name_says_where_to_look():
    with pytest.raises(PluginError, match="sigkit bench list"):
        check_plugin("no_such_thing")
