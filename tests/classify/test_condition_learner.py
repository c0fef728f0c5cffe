"""The classifier taught anew on given engines."""

from __future__ import annotations

import numpy as np
import pytest

from sigkit.classify.condition_learner import ConditionLearner
from sigkit.errors import SettingsError


def drawn(engines: int, rng: np.random.Generator):
    """Rows of drawn features: one column tells the condition, one is constant, one always missing."""
    learner = ConditionLearner(iterations=20)
    n = engines * 40
    label = np.where(rng.random(n) < 0.5, "normal", "wide_gap")
    features = rng.normal(size=(n, len(learner.feature_names)))
    features[:, 0] = np.where(label == "normal", -1.0, 1.0) + 0.3 * rng.normal(size=n)
    features[:, 1], features[:, 2] = 5.0, np.nan
    return learner, features, label, np.repeat(np.array([f"e{k}" for k in range(engines)]), 40)


def test_it_learns_what_can_be_told_and_repeats_bit_for_bit():
    rng = np.random.default_rng(3)
    learner, features, label, engines = drawn(10, rng)
    _, fresh, wanted, _ = drawn(5, rng)
    judged = learner.fit(features, label, engines).judge(fresh)
    best = np.array(judged.classes)[judged.probability.argmax(axis=1)]
    assert np.mean(best == wanted) > 0.95
    again = ConditionLearner(iterations=20).fit(features, label, engines).judge(fresh)
    np.testing.assert_array_equal(judged.probability, again.probability)


def test_what_has_learnt_nothing_does_not_judge():
    learner, features, label, engines = drawn(3, np.random.default_rng(0))
    with pytest.raises(SettingsError, match="learnt nothing"):
        learner.judge(features)
    with pytest.raises(SettingsError, match="three engines"):
        learner.fit(features[:80], label[:80], engines[:80])
