"""What judging adds to a firing table."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np

from sigkit.classify import judge_table as module
from sigkit.classify.judge_table import judge_table
from sigkit.contracts.classifier import Judgement
from sigkit.types.firing_table import empty_table


def model_of(classes, probability):
    probability = np.array(probability)
    condition = np.array(classes, dtype=object)[probability.argmax(axis=1)]
    judged = Judgement(tuple(classes), probability, condition, condition, 0.9)
    return SimpleNamespace(pipeline=SimpleNamespace(judge=lambda features: judged))


def three_rows(monkeypatch):
    monkeypatch.setattr(module, "condition_features", lambda table: np.zeros((3, 1)))
    table = empty_table(3)
    table["channel_kind"] = np.array(["secondary_voltage"] * 3, dtype=object)
    table["firing"] = np.array([0, 1, -1])
    return table


def test_the_probability_of_any_fault_is_what_normal_leaves(monkeypatch):
    table = three_rows(monkeypatch)
    result = judge_table(table, model_of(["wide_gap", "normal", "fouled_plug"], [[0.2, 0.5, 0.3], [0.7, 0.1, 0.2]]))
    np.testing.assert_allclose(result["fault_probability"], [0.5, 0.9, np.nan])
    np.testing.assert_allclose(result["condition_probability"], [0.5, 0.7, np.nan])
    assert result["condition"].tolist() == ["normal", "wide_gap", "unknown"]


def test_without_a_model_or_a_class_for_normal_nothing_is_said_of_it(monkeypatch):
    table = three_rows(monkeypatch)
    assert np.isnan(judge_table(table, None)["fault_probability"]).all()
    told = judge_table(table, model_of(["wide_gap", "fouled_plug"], [[0.2, 0.8], [0.7, 0.3]]))
    assert np.isnan(told["fault_probability"]).all()
