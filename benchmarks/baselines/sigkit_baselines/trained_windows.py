"""What the classifiers of windows share: fit on most engines, temperature on the rest."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from sigkit.contracts.classifier import Judgement
from sigkit.errors import SettingsError
from sigkit_baselines.probability import fit_sharpness, judgement, softmax, split_engines


class TrainedWindows:
    """A classifier of windows; the others fill in ``_train`` and ``_score``."""

    name = ""
    takes = "windows"
    feature_names: tuple[str, ...] = ()

    def __init__(self) -> None:
        self.classes: tuple[str, ...] = ()
        self.sharpness = 1.0

    def fit(self, X: NDArray, labels: NDArray, engines: NDArray) -> Any:
        """Train on windows, shape (n, m), with their conditions and engines."""
        X, labels, engines = _whole(X), np.asarray(labels).astype(str), np.asarray(engines).astype(str)
        held = split_engines(engines)
        self.classes = tuple(np.unique(labels[~held]).tolist())
        if len(self.classes) < 2:
            raise SettingsError(f"{self.name} needs firings of two conditions at least, got {self.classes}")
        self._train(X[~held], np.searchsorted(self.classes, labels[~held]))
        self.sharpness = fit_sharpness(self._score(X[held]), labels[held], self.classes) if held.any() else 1.0
        return self

    def judge(self, X: NDArray) -> Judgement:
        """Return the judgement of windows, shape (n, m)."""
        if not self.classes:
            raise SettingsError(f"{self.name} is not trained; call fit with windows, conditions and engines first")
        X = _whole(X)
        if X.shape[0] == 0:
            return judgement(np.zeros((0, len(self.classes))), self.classes)
        return judgement(softmax(self.sharpness * self._score(X)), self.classes)

    def _train(self, X: NDArray, code: NDArray) -> None:
        raise NotImplementedError

    def _score(self, X: NDArray) -> NDArray[np.float64]:
        raise NotImplementedError


def _whole(X: NDArray) -> NDArray[np.float32]:
    """Return the windows with zero (the settled level) where they have no sample."""
    return np.nan_to_num(np.asarray(X, dtype=np.float32), nan=0.0, posinf=0.0, neginf=0.0)
