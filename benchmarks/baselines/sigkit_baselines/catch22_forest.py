"""catch22 (Lubba and others 2019) with mean and deviation, by the library aeon, and a random forest."""

from __future__ import annotations

from importlib.util import find_spec
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sigkit_baselines.trained_windows import TrainedWindows

if find_spec("aeon") is None:
    raise ImportError("aeon is not installed; install sigkit-baselines[conditions]")


class Catch22Forest(TrainedWindows):
    """Twenty-four general features of a series, 300 trees."""

    name = "baseline_catch22_forest"

    def _features(self, X: NDArray) -> NDArray[np.float64]:
        from aeon.transformations.collection.feature_based import Catch22

        # Own copy in double precision: the library's compiled code takes no other.
        made = Catch22(catch24=True, replace_nans=True, n_jobs=1).fit_transform(X[:, None, :].astype(float))
        return np.nan_to_num(np.asarray(made, dtype=float), posinf=0.0, neginf=0.0)

    def _train(self, X: NDArray, code: NDArray) -> None:
        from sklearn.ensemble import RandomForestClassifier

        self.forest: Any = RandomForestClassifier(
            300, min_samples_leaf=2, class_weight="balanced_subsample", random_state=0, n_jobs=1
        )
        self.forest.fit(self._features(X), code)

    def _score(self, X: NDArray) -> NDArray[np.float64]:
        return np.log(np.maximum(self.forest.predict_proba(self._features(X)), 1e-3))
