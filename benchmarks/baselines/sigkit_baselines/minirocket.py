"""MiniRocket (Dempster, Schmidt and Webb 2021) of the library aeon, with a ridge classifier."""

from __future__ import annotations

from importlib.util import find_spec
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sigkit_baselines.trained_windows import TrainedWindows

if find_spec("aeon") is None:
    raise ImportError("aeon is not installed; install sigkit-baselines[conditions]")

#: Kernels: a fifth of the method's usual number, for time (our choice).
KERNELS = 2000


class MiniRocketConditions(TrainedWindows):
    """Random convolutions, shares of positive values, a linear classifier."""

    name = "baseline_minirocket"

    def _train(self, X: NDArray, code: NDArray) -> None:
        from aeon.transformations.collection.convolution_based import MiniRocket
        from sklearn.linear_model import RidgeClassifierCV
        from sklearn.pipeline import make_pipeline
        from sklearn.preprocessing import StandardScaler

        self.kernels: Any = MiniRocket(n_kernels=KERNELS, random_state=0, n_jobs=1)
        shares = self.kernels.fit_transform(X[:, None, :])
        self.linear: Any = make_pipeline(StandardScaler(), RidgeClassifierCV(alphas=np.logspace(-2, 4, 7)))
        self.linear.fit(shares, code)

    def _score(self, X: NDArray) -> NDArray[np.float64]:
        score = self.linear.decision_function(self.kernels.transform(X[:, None, :]))
        return np.column_stack([-score, score]) if score.ndim == 1 else score
