"""Judge swings: a small network with stored weights."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from sigkit.detect.candidate_features import FEATURE_COUNT
from sigkit.prepare.stored_network import evaluate_network, load_network

#: Weights made by ``benchmarks/train_detector.py`` from simulated engines and drawn other records.
WEIGHTS = "swing_weights.npz"


@lru_cache(maxsize=1)
def _weights() -> dict[str, NDArray[np.float64]]:
    return load_network("sigkit.detect", WEIGHTS, FEATURE_COUNT)


def judge_swings(features: NDArray) -> NDArray[np.float64]:
    """Return log-odds that each swing is a switching-off of its direction.

    Parameters
    ----------
    features : ndarray, shape (n, FEATURE_COUNT)
        From `candidate_features`.

    Returns
    -------
    ndarray of float64, shape (n,)

    Raises
    ------
    sigkit.errors.ModelError
        When the stored weights do not fit the features.

    Examples
    --------
    >>> judge_swings(np.zeros((0, FEATURE_COUNT))).shape
    (0,)
    """
    return evaluate_network(_weights(), features)
