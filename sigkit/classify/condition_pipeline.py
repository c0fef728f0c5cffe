"""The built-in condition classifier: boosted trees, calibrated, with prediction sets and abstention."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from sigkit.contracts.classifier import Judgement
from sigkit.errors import SettingsError
from sigkit.types.firing_table import CONDITIONS, UNKNOWN

#: Stated coverage of the prediction sets (our choice).
COVERAGE = 0.9
#: A best guess below this calibrated probability is answered ``unknown`` (our choice).
LEAST_PROBABILITY = 0.4


class ConditionPipeline:
    """Judge conditions of firings.

    ``fit``, ``calibrate`` and ``conformalise`` are separate steps and want separate engines.

    Parameters
    ----------
    feature_names : tuple of str
    seed : int
    iterations : int
        Boosting rounds.

    Attributes
    ----------
    estimator : sklearn estimator or None
    temperature : float
        Divides the log-probabilities; 1 until calibrated.
    threshold : float
        Largest score 1 - p(true) that the sets cover; 1 (everything) until conformalised.
    """

    name = "condition_pipeline"

    def __init__(self, feature_names: tuple[str, ...] = (), seed: int = 0, iterations: int = 250) -> None:
        self.feature_names = tuple(feature_names)
        self.seed = seed
        self.iterations = iterations
        self.classes: tuple[str, ...] = ()
        self.estimator: Any = None
        self.temperature = 1.0
        self.threshold = 1.0

    def fit(self, features: NDArray, conditions: NDArray, weight: NDArray | None = None) -> ConditionPipeline:
        """Fit the trees.

        Parameters
        ----------
        features : ndarray, shape (n, k)
        conditions : ndarray of str, shape (n,)
        weight : ndarray, shape (n,), optional
        """
        from sklearn.ensemble import HistGradientBoostingClassifier

        self._check(features)
        known = [c for c in CONDITIONS if c in set(conditions)]
        self.classes = tuple(known)
        codes = np.array([known.index(c) for c in conditions])
        self.estimator = HistGradientBoostingClassifier(
            max_iter=self.iterations, learning_rate=0.06, max_leaf_nodes=24, min_samples_leaf=30,
            l2_regularization=1.0, max_features=0.5, random_state=self.seed,
        )  # fmt: skip
        self.estimator.fit(features, codes, sample_weight=weight)
        self.temperature, self.threshold = 1.0, 1.0
        return self

    def calibrate(self, features: NDArray, conditions: NDArray) -> ConditionPipeline:
        """Fit the temperature on other engines than the trees (Guo et al. 2017, from memory)."""
        from scipy.optimize import minimize_scalar

        log = self._log_probability(features)
        codes, rows = self._codes(conditions)

        def loss(log_temperature: float) -> float:
            scaled = log[rows] / np.exp(log_temperature)
            scaled -= scaled.max(axis=1, keepdims=True)
            total = np.log(np.exp(scaled).sum(axis=1))
            return float(np.mean(total - scaled[np.arange(rows.size), codes]))

        self.temperature = float(np.exp(minimize_scalar(loss, bounds=(-2.0, 2.0), method="bounded").x))
        return self

    def conformalise(self, features: NDArray, conditions: NDArray, coverage: float = COVERAGE) -> ConditionPipeline:
        """Set the threshold of the sets on a third group of engines.

        Split conformal prediction in a few own lines: a fitted MAPIE object cannot be stored under a closed
        list of trusted types.
        """
        probability = self.probability(features)
        codes, rows = self._codes(conditions)
        score = np.sort(1.0 - probability[rows, codes])
        rank = int(np.ceil((score.size + 1) * coverage))
        # Too few rows for a valid quantile: everything is covered.
        self.threshold = float(score[rank - 1]) if rank <= score.size else 1.0
        return self

    def probability(self, features: NDArray) -> NDArray[np.float64]:
        """Return calibrated probabilities, shape (n, len(classes))."""
        scaled = self._log_probability(features) / self.temperature
        scaled -= scaled.max(axis=1, keepdims=True)
        odds = np.exp(scaled)
        return odds / odds.sum(axis=1, keepdims=True)

    def judge(self, features: NDArray) -> Judgement:
        """Return the judgement of rows of features; see `sigkit.contracts.classifier.Classifier`."""
        features = np.asarray(features, dtype=float)
        if features.shape[0] == 0:
            empty = np.zeros(0, dtype=object)
            return Judgement(self.classes, np.zeros((0, len(self.classes))), empty, empty.copy(), COVERAGE)
        probability = self.probability(features)
        order = np.argsort(-probability, axis=1, kind="stable")
        best = order[:, 0]
        top = probability[np.arange(best.size), best]
        names = np.array(self.classes, dtype=object)
        condition = np.where(top >= LEAST_PROBABILITY, names[best], UNKNOWN).astype(object)
        inside = (1.0 - probability) <= self.threshold
        inside[np.arange(best.size), best] = True
        sets = np.array(
            ["|".join(names[k] for k in row if inside[i, k]) for i, row in enumerate(order)], dtype=object
        )
        return Judgement(self.classes, probability, condition, sets, COVERAGE)

    def _check(self, features: NDArray) -> None:
        if features.ndim != 2 or features.shape[1] != len(self.feature_names):
            raise SettingsError(
                f"the model was made for {len(self.feature_names)} features, got an array of shape {features.shape}; "
                "use the features the model was trained with"
            )

    def _codes(self, conditions: NDArray) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        known = {name: code for code, name in enumerate(self.classes)}
        rows = np.array([i for i, c in enumerate(conditions) if c in known], dtype=np.int64)
        return np.array([known[conditions[i]] for i in rows], dtype=np.int64), rows

    def _log_probability(self, features: NDArray) -> NDArray[np.float64]:
        self._check(features)
        if self.estimator is None:
            raise SettingsError("the model is not fitted; run sigkit train")
        return np.log(np.clip(self.estimator.predict_proba(features), 1e-9, 1.0))
