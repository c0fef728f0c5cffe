"""Contract of a condition classifier."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol, runtime_checkable

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, eq=False)
class Judgement:
    """Answers for n firings.

    Attributes
    ----------
    classes : tuple of str
        Conditions, in the order of the columns of ``probability``.
    probability : ndarray of float64, shape (n, k)
        Calibrated probabilities; rows sum to 1.
    condition : ndarray of str, shape (n,)
        Best single guess, or ``"unknown"``.
    condition_set : ndarray of str, shape (n,)
        Conditions that cannot be excluded at the stated coverage, joined by ``|``, most likely first.
    coverage : float
        Stated coverage of the sets, 0 to 1.
    """

    classes: tuple[str, ...]
    probability: NDArray[np.float64]
    condition: NDArray[np.str_]
    condition_set: NDArray[np.str_]
    coverage: float


@runtime_checkable
class Classifier(Protocol):
    """Judges firings from their features.

    Attributes
    ----------
    name : str
    feature_names : tuple of str
        Columns it needs, in order.
    """

    name: str
    feature_names: tuple[str, ...]

    def judge(self, features: NDArray[np.float64]) -> Judgement:
        """Return the judgement for rows of features, shape (n, len(feature_names)); NaN is missing."""
        ...
