"""Fit, calibrate, conformalise: the promises of the pipeline on data with a known law."""

from __future__ import annotations

import numpy as np
import pytest

from sigkit.classify.condition_pipeline import COVERAGE, ConditionPipeline
from sigkit.contracts.classifier import Classifier
from sigkit.errors import SettingsError

CLASSES = ("normal", "wide_gap", "fouled_plug")
NAMES = ("a", "b")


def _draw(seed, n):
    rng = np.random.default_rng(seed)
    code = rng.integers(0, 3, n)
    centre = np.array([[0.0, 0.0], [2.0, 0.0], [0.0, 2.0]])
    return centre[code] + rng.normal(size=(n, 2)), np.array(CLASSES, dtype=object)[code]


@pytest.fixture(scope="module")
def pipeline():
    made = ConditionPipeline(NAMES, seed=3, iterations=60)
    made.fit(*_draw(1, 3000))
    made.calibrate(*_draw(2, 1500))
    return made.conformalise(*_draw(3, 1500))


def test_meets_the_contract(pipeline):
    assert isinstance(pipeline, Classifier)


def test_probabilities_sum_to_one_and_rank_the_sets(pipeline):
    judged = pipeline.judge(_draw(4, 500)[0])
    np.testing.assert_allclose(judged.probability.sum(axis=1), 1.0)
    for row, answer in enumerate(judged.condition_set):
        members = answer.split("|")
        assert members[0] == judged.classes[judged.probability[row].argmax()]


def test_sets_cover_what_they_state(pipeline):
    # Split conformal prediction: coverage at least as stated on exchangeable data; 4000 rows, 3 standard errors.
    features, true = _draw(5, 4000)
    judged = pipeline.judge(features)
    hit = np.mean([t in s.split("|") for t, s in zip(true, judged.condition_set, strict=True)])
    spread = np.sqrt(COVERAGE * (1 - COVERAGE) * (1 / 4000 + 1 / 1500))
    assert abs(hit - COVERAGE) < 3.5 * spread


def test_the_threshold_agrees_with_mapie(pipeline):
    from mapie.classification import SplitConformalClassifier
    from sklearn.base import BaseEstimator, ClassifierMixin

    class Calibrated(ClassifierMixin, BaseEstimator):
        classes_ = np.arange(3)
        is_fitted_ = True

        def fit(self, X, y):
            return self

        def predict_proba(self, X):
            return pipeline.probability(X)

        def predict(self, X):
            return pipeline.probability(X).argmax(axis=1)

        def __sklearn_is_fitted__(self):
            return True

    features, true = _draw(3, 1500)
    codes = np.array([pipeline.classes.index(t) for t in true])
    other = SplitConformalClassifier(Calibrated(), confidence_level=COVERAGE, conformity_score="lac", prefit=True)
    other.conformalize(features, codes)
    fresh = _draw(6, 800)[0]
    sets = other.predict_set(fresh)[1][:, :, 0]
    inside = (1.0 - pipeline.probability(fresh)) <= pipeline.threshold
    assert np.mean(sets == inside) > 0.995


def test_too_few_rows_cover_everything():
    made = ConditionPipeline(NAMES, iterations=5).fit(*_draw(1, 300))
    made.conformalise(*_draw(2, 5))
    assert made.threshold == 1.0
    assert all(len(s.split("|")) == 3 for s in made.judge(_draw(3, 20)[0]).condition_set)


def test_other_features_are_refused(pipeline):
    with pytest.raises(SettingsError, match="2 features"):
        pipeline.judge(np.zeros((1, 3)))


def test_no_rows_give_no_answers(pipeline):
    assert pipeline.judge(np.zeros((0, 2))).probability.shape == (0, 3)


def test_two_fits_of_one_seed_agree_bit_for_bit():
    first = ConditionPipeline(NAMES, seed=9, iterations=20).fit(*_draw(1, 800))
    second = ConditionPipeline(NAMES, seed=9, iterations=20).fit(*_draw(1, 800))
    np.testing.assert_array_equal(first.probability(_draw(2, 50)[0]), second.probability(_draw(2, 50)[0]))
