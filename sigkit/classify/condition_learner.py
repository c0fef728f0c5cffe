"""The built-in classifier, taught anew on given engines: what a rival is compared with on the same terms."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sigkit.classify.condition_pipeline import ConditionPipeline
from sigkit.contracts.classifier import Judgement
from sigkit.errors import SettingsError
from sigkit.features.condition_features import feature_names

#: Shares of the engines to fit, to calibrate and to conformalise on (our choice).
SHARES = (0.6, 0.2, 0.2)


class ConditionLearner:
    """Fit, calibrate and conformalise `ConditionPipeline` on three groups of the engines given.

    Parameters
    ----------
    seed : int
        Of the split and of the trees.
    iterations : int
        Boosting rounds.
    """

    name = "condition_learner"
    takes = "features"

    def __init__(self, seed: int = 0, iterations: int = 150) -> None:
        self.feature_names = feature_names()
        self.seed, self.iterations = seed, iterations
        self.pipeline: ConditionPipeline | None = None

    def fit(self, X: NDArray, labels: NDArray, engines: NDArray) -> ConditionLearner:
        """Learn from rows of features, shape (n, k), their conditions and their engines.

        Raises
        ------
        SettingsError
            When there are fewer than three engines.
        """
        names = np.unique(np.asarray(engines).astype(str))
        if names.size < 3:
            raise SettingsError(f"{self.name} needs firings of three engines at least, got {names.size}")
        order = np.random.default_rng(self.seed).permutation(names.size)
        ends = np.maximum(np.round(np.cumsum(SHARES) * names.size).astype(int), [1, 2, 3])
        parts = [np.isin(engines, names[order[a:b]]) for a, b in zip([0, *ends[:-1]], ends, strict=True)]
        fitted = np.asarray(labels)[parts[0]].astype(str)
        kinds, count = np.unique(fitted, return_counts=True)
        weight = 1.0 / np.sqrt(count[np.searchsorted(kinds, fitted)])
        self.pipeline = ConditionPipeline(self.feature_names, self.seed, self.iterations)
        self.pipeline.fit(X[parts[0]], fitted, weight / weight.mean())
        self.pipeline.calibrate(X[parts[1]], np.asarray(labels)[parts[1]], np.asarray(engines)[parts[1]])
        self.pipeline.conformalise(X[parts[2]], np.asarray(labels)[parts[2]], np.asarray(engines)[parts[2]])
        return self

    def judge(self, features: NDArray) -> Judgement:
        """Return the judgement of rows of features.

        Raises
        ------
        SettingsError
            When nothing was learnt yet.
        """
        if self.pipeline is None:
            raise SettingsError(f"{self.name} has learnt nothing yet; call fit with features, conditions and engines")
        return self.pipeline.judge(features)
