"""The conformance kit: passes what keeps the contract, names what breaks it."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import numpy as np
import pytest

from sigkit.bench.check_captures import sound_capture
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
    assert len(results) == 25
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


def test_a_detector_is_held_to_the_invariances_it_declares_and_no_others():
    class Fixed:
        name = "fixed"
        invariances = ("inversion", "weather")

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
        invariances = ()

    found = problems(check_class(Fixed, "detectors"))
    assert "invariance: inversion" in found
    assert "the polarity does not follow" in found["invariance: inversion"]
    assert "'weather' is none of shift, gain" in found["declared: invariances ('inversion', 'weather')"]
    honest = {one.check: one.word for one in check_class(Honest, "detectors")}
    assert {honest[f"invariance: {name}"] for name in ("shift", "gain", "inversion", "offset")} == {"not declared"}


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
    tried = [one for one in results if one.declared]
    assert len(tried) == 12
    assert all("RuntimeError: no licence" in one.problem for one in tried)


@pytest.mark.parametrize("name", ["wavelet_energy", "burn_line_slope", "oscillation_decay", "delimited", "numpy"])
def test_built_in_features_and_readers_pass(name):
    results = check_plugin(name)
    assert len(results) in (6, 7)
    assert problems(results) == {}


def test_an_unknown_name_says_where_to_look():
    with pytest.raises(PluginError, match="sigkit info"):
        check_plugin("no_such_thing")


@pytest.mark.parametrize("name", ["block_activity", "instant_networks"])
def test_built_in_detector_and_locator_pass_and_declare_every_invariance(name):
    results = check_plugin(name)
    assert problems(results) == {}
    assert {one.check for one in results if not one.declared} == {"declared: tunable"}


def test_a_classifier_of_windows_is_given_windows():
    class Peak:
        name, takes = "peak", "windows"

        def fit(self, X, labels, engines):
            assert X.dtype == np.float32
            assert len(X) == len(labels) == len(engines)
            assert np.abs(X).max(axis=1) == pytest.approx(1.0)
            self.classes = tuple(sorted(set(labels)))
            self.place = [np.median(X[labels == one].argmax(axis=1)) for one in self.classes]

        def judge(self, X):
            apart = np.abs(X.argmax(axis=1)[:, None] - np.array(self.place))
            odds = np.exp(-0.1 * (apart - apart.min(axis=1, keepdims=True, initial=np.inf)))
            best = np.array(self.classes, dtype=object)[odds.argmax(axis=1)]
            return Judgement(self.classes, odds / odds.sum(axis=1, keepdims=True), best, best, 0.5)

    results = check_class(Peak, "classifiers")
    assert problems(results) == {}
    assert "edge case: a flat window" in {one.check for one in results}


def test_a_reader_that_reads_anything_and_a_feature_that_looks_at_neighbours_are_found():
    from sklearn.base import BaseEstimator, TransformerMixin

    class Greedy:
        name, suffixes = "greedy", (".bin",)

        def sniff(self, head, name):
            return 1.0

        def read(self, source, name, options):
            return []

    class Neighbours(TransformerMixin, BaseEstimator):
        def fit(self, X, y=None):
            return self

        def transform(self, X):
            return np.asarray(X)[:, :1] - np.asarray(X)[:, :1].mean()

        def get_feature_names_out(self, input_features=None):
            return np.array(["level_V"])

    found = problems(check_class(Greedy, "readers"))
    assert "it made a capture of nothing" in found["read: a page of prose is refused with place and remedy"]
    assert "it is sure" in found["sniff: random bytes"]
    found = problems(check_class(Neighbours, "features"))
    assert "rows influence each other" in found["a row does not depend on the other rows"]
    assert "check_" in found["contract: scikit-learn's own list of checks"]


def test_two_tunable_settings_are_one_too_many(example):
    class Greedy(example.SteepRise):
        tunable = {"dead_s": (1e-3,), "reach_s": (1e-3,)}  # noqa: RUF012

    assert "expected one setting" in problems(check_class(Greedy, "detectors"))[
        "declared: tunable names one setting at most, with its values"
    ]


def test_a_detector_that_changes_the_samples_and_one_that_counts_its_calls_are_found(example):
    class Scribbler(example.SteepRise):
        def detect(self, capture):
            found = super().detect(capture)
            for channel in capture.channels:
                channel.samples[:1] += 1.0
            return found

    class Wanderer(example.SteepRise):
        calls = 0

        def detect(self, capture):
            type(self).calls += 1
            return [Firings(f.channel, f.position + self.calls % 2, f.start, f.stop, f.polarity, f.event)
                    for f in super().detect(capture)]  # fmt: skip

    # The simulated engine is kept for all checks: what is scribbled on must not reach the tests that follow.
    sound_capture.cache_clear()
    found = problems(check_class(Scribbler, "detectors"))
    sound_capture.cache_clear()
    assert "it changed the samples" in found["samples are left as they are"]
    found = problems(check_class(Wanderer, "detectors"))
    assert "differs from call to call" in found["determinism: the same answer twice, and from a new object"]
