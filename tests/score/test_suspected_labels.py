"""Suspected labels: planted errors are found, and sound labels are left alone."""

from __future__ import annotations

import numpy as np
import pytest
from sklearn.linear_model import LogisticRegression
from sklearn.metrics import roc_auc_score
from sklearn.model_selection import GroupKFold, cross_val_predict

from sigkit.score.suspected_labels import suspected_labels


def planted(share, seed=1, size=900):
    """Return labels, out-of-fold probabilities by engine, and which labels were swapped on purpose."""
    rng = np.random.default_rng(seed)
    truth = rng.integers(0, 3, size)
    points = np.array([[0, 0], [4, 0], [0, 4]])[truth] + rng.normal(0, 1, (size, 2))
    wrong = rng.random(size) < share
    label = np.where(wrong, (truth + rng.integers(1, 3, size)) % 3, truth)
    chances = cross_val_predict(
        LogisticRegression(), points, label, groups=np.arange(size) // 30, cv=GroupKFold(5), method="predict_proba"
    )
    return np.array(["a", "b", "c"])[label], chances, wrong, np.array(["a", "b", "c"])[truth]


def test_planted_errors_come_first():
    label, chances, wrong, truth = planted(0.1)
    found = suspected_labels(label, chances, ["a", "b", "c"])
    first = found.order[: wrong.sum()]
    assert wrong[first].mean() > 0.85  # against 0.1 by chance
    assert wrong[found.suspected].mean() > 0.8
    # How many of the errors are suspected depends on the margins; that they rank before sound labels does not.
    place = np.argsort(found.order)
    assert roc_auc_score(wrong, -place) > 0.95
    both = found.suspected & wrong
    assert (found.likely[both] == truth[both]).mean() > 0.95
    assert found.wrong_share == pytest.approx(wrong.mean(), abs=0.03)
    assert sorted(found.order) == list(range(label.size))


def test_sound_labels_are_hardly_suspected():
    label, chances, _, _ = planted(0.0)
    found = suspected_labels(label, chances, ["a", "b", "c"])
    assert found.suspected.mean() < 0.03
    assert found.wrong_share < 0.03


def test_thresholds_and_joint_by_hand():
    # Class a: mean of .9 .7 .2 = .6; class b: mean of .8 .6 = .7. Row 2 (a, .2 against .8) reaches b's .7;
    # row 4 (b, .6) reaches neither and stays as labelled.
    chances = [[0.9, 0.1], [0.7, 0.3], [0.2, 0.8], [0.2, 0.8], [0.4, 0.6]]
    found = suspected_labels(["a", "a", "a", "b", "b"], chances, ["a", "b"])
    assert found.threshold == pytest.approx({"a": 0.6, "b": 0.7})
    assert found.confident_joint.tolist() == [[2, 1], [0, 1]]
    assert found.suspected.tolist() == [False, False, True, False, False]
    assert found.wrong_share == pytest.approx(3 * (1 / 3) / 5)
    assert found.margin[2] == pytest.approx(-0.6)


def test_columns_go_by_the_order_of_the_classes():
    found = suspected_labels(["z", "z", "a"], [[0.9, 0.1], [0.1, 0.9], [0.2, 0.8]], ["z", "a"])
    assert found.suspected.tolist() == [False, True, False]
    assert found.likely[1] == "a"


def test_bad_input_is_refused():
    with pytest.raises(ValueError, match="not among the classes: c"):
        suspected_labels(["c"], [[0.5, 0.5]], ["a", "b"])
    with pytest.raises(ValueError, match="shape"):
        suspected_labels(["a"], [[0.5, 0.3, 0.2]], ["a", "b"])
    with pytest.raises(ValueError, match="row 0 has no probability"):
        suspected_labels(["a"], [[np.nan, 0.5]], ["a", "b"])
