"""Scores of conditions: small examples done by hand, and calibration under known chances."""

from __future__ import annotations

import numpy as np
import pytest

from sigkit.score.classification import calibration_error, confusion, log_loss, macro_f1


def test_macro_f1_by_hand():
    # a: 1 hit, 1 false, 1 missed -> 0.5; b: 1 hit, 1 missed, 0 false -> 2/3; c never right -> 0.
    truth = ["a", "a", "b", "b", "c"]
    answer = ["a", "unknown", "b", "a", "unknown"]
    assert macro_f1(truth, answer, ["a", "b", "c"]) == pytest.approx((0.5 + 2 / 3 + 0) / 3)


def test_abstaining_never_helps():
    truth = ["a", "b", "a", "b"]
    assert macro_f1(truth, truth, ["a", "b"]) == 1.0
    assert macro_f1(truth, ["a", "b", "unknown", "b"], ["a", "b"]) < 1.0


def test_confusion_counts_every_row_once():
    table = confusion(["a", "b", "b", "c"], ["a", "c", "unknown", "b"], ["a", "b", "c"])
    assert table.tolist() == [[1, 0, 0, 0], [0, 0, 1, 1], [0, 1, 0, 0]]
    assert confusion([], [], ["a", "b"]).tolist() == [[0, 0, 0], [0, 0, 0]]
    with pytest.raises(ValueError, match="not among the classes: d"):
        confusion(["a"], ["d"], ["a"])
    with pytest.raises(ValueError, match="not among the classes: unknown"):
        confusion(["unknown"], ["a"], ["a"])


def test_log_loss_reads_columns_by_name_not_by_alphabet():
    classes = ["z", "a"]  # not in sorted order, as scikit-learn would assume
    probability = [[0.9, 0.1], [0.2, 0.8]]
    expected = -(np.log(0.9) + np.log(0.8)) / 2
    assert log_loss(["z", "a"], probability, classes) == pytest.approx(expected)


def test_calibration_error_of_calibrated_and_boastful_guesses():
    rng = np.random.default_rng(11)
    probability = rng.uniform(0.3, 1.0, 50_000)
    correct = rng.random(50_000) < probability
    assert calibration_error(probability, correct) < 0.01
    # A guesser who adds 0.2 to every chance is off by 0.2 wherever that stays below 1.
    timid = rng.uniform(0.3, 0.7, 50_000)
    assert calibration_error(timid + 0.2, rng.random(50_000) < timid) == pytest.approx(0.2, abs=0.01)


def test_calibration_error_by_hand_and_at_the_edges():
    # One bin holds both guesses: one of two right, mean probability 0.91.
    assert calibration_error([0.90, 0.92], [True, False], bins=5) == pytest.approx(0.41)
    assert calibration_error([1.0], [True]) == 0.0
    assert np.isnan(calibration_error([], []))
    with pytest.raises(ValueError, match="outside 0 to 1"):
        calibration_error([1.2], [True])
