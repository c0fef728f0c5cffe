"""The built-in condition classifier: boosted trees, calibrated, with prediction sets and abstention."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from sigkit.contracts.classifier import Judgement
from sigkit.errors import ModelError, SettingsError
from sigkit.types.firing_table import CONDITIONS, UNKNOWN

#: Stated coverage of the prediction sets (our choice).
COVERAGE = 0.9
#: A best guess below this calibrated probability is answered ``unknown`` (our choice).
LEAST_PROBABILITY = 0.4
#: Ridge on the squared offsets of calibration, per unit of mean log loss (our choice).
OFFSET_RIDGE = 1e-3


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
    offsets : ndarray, shape (len(classes),)
        Added to the log-probabilities; 0 until calibrated. They undo that the fitted engines are ill more
        often than those it is calibrated on.
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
        self.offsets = np.zeros(0)
        self.threshold = 1.0

    @classmethod
    def shipped(cls) -> ConditionPipeline:
        """Return the pipeline of the shipped model, ready to judge.

        Raises
        ------
        sigkit.errors.ModelError
            When none is part of this installation, or it is damaged.
        """
        from sigkit.classify.model_store import load_default_model

        model = load_default_model()
        if model is None:
            raise ModelError("no model is part of this installation; make one with sigkit train")
        return model.pipeline

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
        self.estimator.fit(_never_constant(features), codes, sample_weight=weight)
        self.temperature, self.offsets, self.threshold = 1.0, np.zeros(len(self.classes)), 1.0
        return self

    def calibrate(self, features: NDArray, conditions: NDArray, engines: NDArray | None = None) -> ConditionPipeline:
        """Fit temperature and offsets on other engines than the trees.

        Temperature scaling with one offset a class (Guo et al., ICML 2017, sections 4.2; from memory), the
        offsets held back by a ridge so that a rare class does not run away.

        Parameters
        ----------
        features : ndarray, shape (n, k)
        conditions : ndarray of str, shape (n,)
        engines : ndarray of str, shape (n,), optional
            Engine of each row: every engine then counts alike. Each row is its own engine by default.
        """
        from scipy.optimize import minimize

        log = self._log_probability(features)
        codes, rows = self._codes(conditions)
        weight = _weight_by_engine(rows, engines)

        def loss(parameters: NDArray) -> tuple[float, NDArray]:
            scale, offsets = np.exp(-parameters[0]), parameters[1:]
            odds = _softmax(log[rows] * scale + offsets)
            chosen = odds[np.arange(rows.size), codes]
            value = -np.sum(weight * np.log(np.maximum(chosen, 1e-300))) + OFFSET_RIDGE * np.sum(offsets**2)
            slack = odds.copy()
            slack[np.arange(rows.size), codes] -= 1.0
            slack *= weight[:, None]
            gradient = np.concatenate(
                [[-scale * np.sum(slack * log[rows])], slack.sum(axis=0) + 2 * OFFSET_RIDGE * offsets]
            )
            return float(value), gradient

        start = np.zeros(1 + len(self.classes))
        bounds = [(-2.0, 2.0), *[(-5.0, 5.0)] * len(self.classes)]
        found = minimize(loss, start, jac=True, method="L-BFGS-B", bounds=bounds)
        self.temperature, self.offsets = float(np.exp(found.x[0])), found.x[1:]
        return self

    def conformalise(
        self, features: NDArray, conditions: NDArray, engines: NDArray | None = None, coverage: float = COVERAGE
    ) -> ConditionPipeline:
        """Set the threshold of the sets on a third group of engines.

        Split conformal prediction in a few own lines: a fitted MAPIE object cannot be stored under a closed
        list of trusted types. Firings of one engine are alike, so engines are what is exchangeable: each
        carries the weight 1 / (engines + 1), shared among its firings, and the rest of the weight lies on
        "everything" (hierarchical conformal prediction, Lee, Barber & Willett 2023; from memory). With one
        row an engine this is plain split conformal prediction.

        Parameters
        ----------
        features : ndarray, shape (n, k)
        conditions : ndarray of str, shape (n,)
        engines : ndarray of str, shape (n,), optional
            Engine of each row. Each row is its own engine by default.
        coverage : float
            Promised share of unseen firings, taken at random from an unseen engine, whose condition is in
            the set.
        """
        probability = self.probability(features)
        codes, rows = self._codes(conditions)
        score = 1.0 - probability[rows, codes]
        of_row = np.arange(rows.size)
        if engines is not None:
            of_row = np.unique(np.asarray(engines)[rows], return_inverse=True)[1]
        count = np.bincount(of_row)
        order = np.argsort(score, kind="stable")
        held = np.cumsum(1.0 / ((count.size + 1) * count[of_row[order]]))
        place = int(np.searchsorted(held, coverage - 1e-12))
        # Too few engines for a valid quantile: everything is covered.
        self.threshold = float(score[order[place]]) if place < score.size else 1.0
        return self

    def probability(self, features: NDArray) -> NDArray[np.float64]:
        """Return calibrated probabilities, shape (n, len(classes))."""
        return _softmax(self._log_probability(features) / self.temperature + self.offsets)

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


def _never_constant(features: NDArray) -> NDArray[np.float64]:
    """Give columns of one value, or of none, a second one in one row: the trees' binning fails without."""
    filled = np.where(np.isfinite(features), features, np.nan)
    known = np.isfinite(filled)
    low = np.where(known, filled, np.inf).min(axis=0)
    high = np.where(known, filled, -np.inf).max(axis=0)
    result = np.array(features, dtype=float)
    # One row of another value can never be split off: leaves hold 30 rows at least.
    for column in np.flatnonzero(~(high > low)):
        result[:, column] = 0.0
        result[0, column] = 1.0
    return result


def _softmax(log: NDArray) -> NDArray[np.float64]:
    odds = np.exp(log - log.max(axis=1, keepdims=True))
    return odds / odds.sum(axis=1, keepdims=True)


def _weight_by_engine(rows: NDArray, engines: NDArray | None) -> NDArray[np.float64]:
    """Return weights that add up to 1 and give each engine the same."""
    if engines is None:
        return np.full(rows.size, 1.0 / max(rows.size, 1))
    _, of_row, count = np.unique(np.asarray(engines)[rows], return_inverse=True, return_counts=True)
    return 1.0 / (count.size * count[of_row])
