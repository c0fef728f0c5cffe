"""A small feed-forward network kept as plain arrays and evaluated in numpy."""

from __future__ import annotations

from collections.abc import Mapping
from importlib.resources import files

import numpy as np
from numpy.typing import NDArray

from sigkit.errors import ModelError


def load_network(package: str, name: str, features: int) -> dict[str, NDArray[np.float32]]:
    """Load stored weights.

    Own code of a few lines instead of a stored estimator: no pickle, and no import of scikit-learn.

    Parameters
    ----------
    package, name : str
        Where the ``.npz`` lies.
    features : int
        Number of features it must have been made for.

    Raises
    ------
    ModelError
        When it was made for another number of features.
    """
    with (files(package) / name).open("rb") as stream, np.load(stream, allow_pickle=False) as held:
        arrays = {key: held[key].astype(np.float32) for key in held.files}
    if arrays["centre"].shape != (features,):
        raise ModelError(
            f"{name} was made for {arrays['centre'].size} features, this version computes {features}; "
            "run its training command in benchmarks/ again"
        )
    return arrays


def evaluate_network(held: Mapping[str, NDArray], features: NDArray) -> NDArray[np.float64]:
    """Return the first output (of a yes-or-no network the log-odds) for rows of features, shape (n,)."""
    return network_outputs(held, features)[..., 0]


def network_outputs(held: Mapping[str, NDArray], features: NDArray) -> NDArray[np.float64]:
    """Return all outputs for rows of features, shape (n, outputs).

    Arrays with a leading axis are several networks of one shape taught from different starts; their mean counts.
    """
    spread = np.where(held["spread"] > 0, held["spread"], 1.0)
    layer = ((features - held["centre"]) / spread).astype(np.float32)
    last = sum(name.startswith("weight_") for name in held) - 1
    several = held["weight_0"].ndim == 3
    for number in range(last + 1):
        bias = held[f"bias_{number}"]
        layer = layer @ held[f"weight_{number}"]
        layer += bias[:, None, :] if several else bias
        if number < last:
            np.maximum(layer, 0.0, out=layer)
    return np.asarray(layer.mean(axis=0) if several else layer, dtype=np.float64)
