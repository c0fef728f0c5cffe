"""A small feed-forward network kept as plain arrays and evaluated in numpy."""

from __future__ import annotations

from collections.abc import Mapping
from importlib.resources import files

import numpy as np
from numpy.typing import NDArray

from sigkit.errors import ModelError

#: Rows of features taken at once (measured: the layers of the largest network stay in the second-level cache; all at
#: once takes up to six times as long).
AT_ONCE = 4096


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


def without_scaling(held: Mapping[str, NDArray]) -> dict[str, NDArray[np.float64]]:
    """Return weights that take features as they are: centre and spread become part of the first layer."""
    folded = {key: np.asarray(values, dtype=np.float64) for key, values in held.items()}
    centre, spread = folded.pop("centre"), folded.pop("spread")
    folded["weight_0"] = folded["weight_0"] / np.where(spread > 0, spread, 1.0)[:, None]
    folded["bias_0"] = folded["bias_0"] - centre @ folded["weight_0"]
    return folded


def evaluate_network(held: Mapping[str, NDArray], features: NDArray) -> NDArray[np.float64]:
    """Return the first output (of a yes-or-no network the log-odds) for rows of features, shape (n,)."""
    return network_outputs(held, features)[..., 0]


def network_outputs(held: Mapping[str, NDArray], features: NDArray) -> NDArray[np.float64]:
    """Return all outputs for rows of features, shape (n, outputs); weights as stored or `without_scaling`.

    Arrays with a leading axis are several networks of one shape taught from different starts; their mean counts. What
    type the weights are the layers are computed in.
    """
    rows = features.reshape(-1, features.shape[-1])
    last = sum(name.startswith("weight_") for name in held) - 1
    result = np.empty((len(rows), held[f"bias_{last}"].shape[-1]))
    for begin in range(0, len(rows), AT_ONCE):
        part = slice(begin, begin + AT_ONCE)
        result[part] = _outputs(held, rows[part], last)
    return result.reshape(*features.shape[:-1], result.shape[1])


def _outputs(held: Mapping[str, NDArray], features: NDArray, last: int) -> NDArray:
    layer = features
    if "centre" in held:
        layer = (features - held["centre"]) / np.where(held["spread"] > 0, held["spread"], 1.0)
    layer = layer.astype(held["weight_0"].dtype, copy=False)
    several = held["weight_0"].ndim == 3
    for number in range(last + 1):
        bias = held[f"bias_{number}"]
        layer = layer @ held[f"weight_{number}"]
        layer += bias[:, None, :] if several else bias
        if number < last:
            np.maximum(layer, 0.0, out=layer)
    return layer.mean(axis=0, dtype=np.float64) if several else layer
