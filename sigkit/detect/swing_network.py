"""Judge swings: a small network with stored weights, evaluated in numpy."""

from __future__ import annotations

from functools import lru_cache
from importlib.resources import files

import numpy as np
from numpy.typing import NDArray

from sigkit.detect.candidate_features import FEATURE_COUNT
from sigkit.errors import ModelError

#: Weights made by ``benchmarks/train_detector.py`` from simulated engines and drawn other records.
WEIGHTS = "swing_weights.npz"


@lru_cache(maxsize=1)
def _weights() -> dict[str, NDArray]:
    # Plain arrays, so own code of a few lines instead of a stored estimator and its slow import.
    place = files("sigkit.detect") / WEIGHTS
    with place.open("rb") as stream, np.load(stream, allow_pickle=False) as held:
        arrays = {name: held[name].astype(np.float64) for name in held.files}
    if arrays["centre"].shape != (FEATURE_COUNT,):
        raise ModelError(
            f"{WEIGHTS} was made for {arrays['centre'].size} features, the detector has {FEATURE_COUNT}; "
            "run benchmarks/train_detector.py again"
        )
    return arrays


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
    held = _weights()
    layer = (features - held["centre"]) / np.where(held["spread"] > 0, held["spread"], 1.0)
    last = sum(name.startswith("weight_") for name in held) - 1
    for number in range(last + 1):
        layer = layer @ held[f"weight_{number}"] + held[f"bias_{number}"]
        if number < last:
            np.maximum(layer, 0.0, out=layer)
    return layer[:, 0]
