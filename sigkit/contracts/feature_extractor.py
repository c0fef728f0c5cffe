"""Contract of a feature extractor: a scikit-learn transformer over 2-D arrays with named, unit-bearing columns."""

from __future__ import annotations

from typing import Any, Protocol, runtime_checkable

import numpy as np
from numpy.typing import NDArray


@runtime_checkable
class FeatureExtractor(Protocol):
    """Turns rows of samples into rows of features.

    ``transform`` takes an array of shape (firings, samples) and returns (firings, features);
    ``get_feature_names_out`` names the columns, each with its unit where it has one.
    """

    def fit(self, X: NDArray, y: Any = None) -> Any:
        """Learn nothing but the number of columns."""
        ...

    def transform(self, X: NDArray) -> NDArray[np.float64]:
        """Return the features, shape (n, k)."""
        ...

    def get_feature_names_out(self, input_features: Any = None) -> NDArray[np.str_]:
        """Return the k column names."""
        ...
