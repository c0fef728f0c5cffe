"""Scores on edges: empty input, one engine, abstentions, bad input, missing libraries, JSON."""

from __future__ import annotations

import json

import numpy as np
import pytest

from sigkit.errors import SettingsError
from sigkit.score import study_extra
from sigkit.score.accuracy_time_front import accuracy_time_front
from sigkit.score.average_ranks import average_ranks
from sigkit.score.classification_score import score_classification
from sigkit.score.detection import score_detection
from sigkit.score.group_draws import GroupDraws
from sigkit.score.holm import holm_correction
from sigkit.score.interval_quality import interval_quality
from sigkit.score.paired_difference import paired_difference, paired_statistic_difference
from sigkit.score.plain import plain
from sigkit.score.prediction_sets import score_sets
from sigkit.score.reliability import reliability_curve
from sigkit.score.risk_coverage import risk_coverage


def rng():
    return np.random.default_rng(0)


def test_captures_without_events_count():
    # b holds nothing true: what is found there is a false alarm of its engine; c holds and shows nothing.
    engines = {"a": "e1", "b": "e2", "c": "e3"}
    score = score_detection([0.1], ["a"], [0.1, 0.5], ["a", "b"], engines, 1e-3, rng())
    assert (score.precision.value, score.recall.value) == (0.5, 1.0)
    assert score.by_engine["e2"]["precision"] == 0.0
    assert np.isnan(score.by_engine["e2"]["recall"])
    assert score.by_engine["e3"]["truth_count"] == 0
    nothing = score_detection([], [], [], [], engines, 1e-3, rng())
    assert np.isnan(nothing.f1.value)
    assert nothing.timing_s.measurable == 0


def test_events_of_different_captures_never_pair():
    score = score_detection([0.1, 0.2], ["a", "b"], [0.1, 0.2], ["b", "a"], {"a": "e", "b": "e"}, 1e-3, rng())
    assert score.hits == 0


def test_tolerance_is_inclusive_to_the_nanosecond():
    for found, hits in ((0.101, 1), (0.101000002, 0)):
        assert score_detection([0.1], ["a"], [found], ["a"], {"a": "e"}, 1e-3, rng()).hits == hits


def test_abstaining_is_a_failure_but_not_a_wrong_answer():
    truth = ["a", "a", "b", "b"]
    sure = score_classification(truth, ["a", "unknown", "b", "b"], ["a", "b"], range(4), rng())
    assert sure.accuracy.value == 0.75
    assert sure.answered_share.value == 0.75
    assert sure.precision["a"].value == 1.0
    assert sure.recall["a"].value == 0.5
    assert np.isnan(sure.log_loss.value)


def test_a_class_nobody_shows_counts_in_no_mean():
    found = score_classification(["a", "b"], ["a", "b"], ["a", "b", "never"], ["x", "y"], rng())
    assert found.macro_f1.value == found.balanced_accuracy.value == 1.0
    assert np.isnan(found.recall["never"].value)
    assert found.by_engine["x"]["macro_f1"] == 1.0


def test_order_of_rows_changes_nothing():
    draw = rng()
    truth, answer = draw.choice(["a", "b"], (2, 60))
    engines, shuffled = np.arange(60) // 6, draw.permutation(60)
    one = score_classification(truth, answer, ["a", "b"], engines, rng())
    other = score_classification(truth[shuffled], answer[shuffled], ["a", "b"], engines[shuffled], rng())
    assert plain(one) == plain(other)


def test_statistic_of_pairs_is_drawn_together():
    truth = np.array(["a", "b", "a", "b"] * 5)
    found = paired_statistic_difference(
        lambda t, s: float(np.mean(t == s)), [truth, truth], [truth, np.full(20, "a")], np.arange(20) // 2, rng()
    )
    assert (found.value, found.low, found.high) == (0.5, 0.5, 0.5)


def test_differences_that_are_all_alike_and_none():
    alike = paired_difference([2.0, 3.0, 4.0], [1.0, 2.0, 3.0], ["a", "b", "c"], rng())
    assert (alike.difference.low, alike.difference.high, alike.rank_biserial.value) == (1.0, 1.0, 1.0)
    assert alike.effect_size.value == np.inf
    assert alike.p_value == 0.25  # two of the eight sign patterns
    same = paired_difference([1.0, 2.0], [1.0, 2.0], ["a", "b"], rng())
    assert (same.difference.value, same.p_value, same.equal) == (0.0, 1.0, 2)
    alone = paired_difference([1.0], [0.0], ["a"], rng())
    assert np.isnan([alone.p_value, alone.difference.low]).all()


def test_two_algorithms_have_ranks_and_no_friedman_test():
    found = average_ranks([[1.0, 2.0], [1.0, 3.0]], ["x", "y"], rng(), higher_is_better=False)
    assert next(iter(found.rank)) == "x"
    assert np.isnan(found.friedman_p)
    level = average_ranks([[1.0, 1.0, 1.0]] * 4, ["x", "y", "z"], rng())
    assert {rank.value for rank in level.rank.values()} == {2.0}
    assert level.alike == (("x", "y", "z"),)


def test_clearly_apart_algorithms_are_not_called_alike():
    table = np.tile([3.0, 2.0, 1.0], (30, 1))
    assert average_ranks(table, ["x", "y", "z"], rng()).alike == (("x",), ("y",), ("z",))


def test_failures_are_never_on_the_front():
    front = accuracy_time_front([0.9, np.nan, 0.9], [1.0, 0.1, np.nan])
    assert front.on_front.tolist() == [True, False, False]
    twins = accuracy_time_front([0.9, 0.9], [1.0, 1.0])
    assert twins.on_front.all()


def test_a_missing_library_is_named_with_its_remedy(monkeypatch):
    def absent(name):
        raise ModuleNotFoundError(f"No module named {name!r}", name="statsmodels")

    monkeypatch.setattr(study_extra.importlib, "import_module", absent)
    with pytest.raises(SettingsError, match=r'needs statsmodels.*pip install "sigkit\[study\]"'):
        holm_correction([0.1, 0.2])


def test_scores_become_json():
    score = score_detection([0.1], ["a"], [0.1], ["a"], {"a": "e1"}, 1e-3, rng())
    read = json.loads(json.dumps(plain(score), allow_nan=False))
    assert read["f1"] == {"value": 1.0, "low": None, "high": None}
    assert read["by_engine"]["e1"]["hits"] == 1
    assert read["truth_row"] == [0]
    with pytest.raises(TypeError, match="object cannot be made plain"):
        plain(object())


def test_nothing_scored_is_missing_not_zero():
    assert np.isnan(risk_coverage([], [], [], rng()).area.value)
    assert np.isnan(reliability_curve([], [], [], rng()).calibration_error.value)
    assert np.isnan(interval_quality([], [], [], [], rng()).coverage.value)
    empty = score_sets([], np.zeros((0, 2), dtype=bool), ["a", "b"], [], rng())
    assert np.isnan(empty.coverage.value)
    assert np.isnan(score_classification([], [], ["a", "b"], [], rng()).accuracy.value)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: score_detection([0.1], ["b"], [], [], {"a": "e"}, 1e-3, rng()), "capture b has no engine"),
        (lambda: score_detection([np.nan], ["a"], [], [], {"a": "e"}, 1e-3, rng()), "not finite"),
        (lambda: score_detection([0.1], ["a"], [], [], {"a": "e"}, 0.0, rng()), "above 0"),
        (lambda: score_detection([0.1], [], [], [], {"a": "e"}, 1e-3, rng()), "one length"),
        (lambda: score_classification(["a"], ["c"], ["a", "b"], ["x"], rng()), "not among the classes: c"),
        (lambda: score_classification(["a"], ["a"], ["a"], ["x", "y"], rng()), "one length"),
        (
            lambda: score_classification(["a"], ["a"], ["a", "b"], ["x"], rng(), probability=[[0.5, 0.1]]),
            "does not sum to 1",
        ),
        (lambda: score_classification(["a"], ["a"], ["a", "b"], ["x"], rng(), probability=[[1.0]]), "shape"),
        (lambda: score_sets(["c"], [[True, False]], ["a", "b"], ["x"], rng()), "not among the classes: c"),
        (lambda: score_sets(["a"], [[True]], ["a", "b"], ["x"], rng()), "shape"),
        (lambda: reliability_curve([1.1], [True], ["x"], rng()), "outside 0 to 1"),
        (lambda: reliability_curve([np.nan], [True], ["x"], rng()), "outside 0 to 1"),
        (lambda: risk_coverage([np.nan], [0], ["x"], rng()), "missing"),
        (lambda: interval_quality([0.0, 0.0], [0.0, 2.0], [1.0, 1.0], ["x", "x"], rng()), "interval 1 is upside"),
        (lambda: interval_quality([0.0], [0.0], [1.0], ["x"], rng(), stated_level=95), "between 0 and 1"),
        (lambda: holm_correction([1.2]), "outside 0 to 1"),
        (lambda: average_ranks([[1.0, np.nan]] * 2, ["x", "y"], rng()), "block 0 has no figure for y"),
        (lambda: average_ranks([[1.0, 2.0]], ["x", "y"], rng()), "at least two"),
        (lambda: accuracy_time_front([1.0], [-1.0]), "negative"),
        (lambda: paired_difference([1.0], [1.0, 2.0], ["a"], rng()), "one length"),
        (lambda: GroupDraws.draw(["a"], rng(), level=95), "between 0 and 1"),
        (lambda: GroupDraws.draw([["a"]], rng()), "2 dimensions"),
    ],
)
def test_bad_input_is_refused(call, message):
    with pytest.raises(ValueError, match=message):
        call()
