"""Fit the small networks of detector and locator and store them as plain arrays."""

from __future__ import annotations

import warnings
from pathlib import Path

import numpy as np
from numpy.typing import NDArray


def fit_network(features: NDArray, label: NDArray, layers: tuple[int, ...], out: Path) -> None:
    """Fit a network on examples (label 1 or 0) and write its weights as ``.npz``."""
    from sklearn.exceptions import ConvergenceWarning
    from sklearn.neural_network import MLPClassifier
    from sklearn.preprocessing import StandardScaler

    scaler = StandardScaler().fit(features)
    network = MLPClassifier(
        layers, alpha=1e-4, early_stopping=True, validation_fraction=0.05, n_iter_no_change=8, max_iter=80,
        batch_size=512, random_state=1,
    )  # fmt: skip
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ConvergenceWarning)
        network.fit(scaler.transform(features), label)
    arrays = {"centre": scaler.mean_, "spread": scaler.scale_}
    for number, (weight, bias) in enumerate(zip(network.coefs_, network.intercepts_, strict=True)):
        arrays[f"weight_{number}"], arrays[f"bias_{number}"] = weight, bias
    np.savez_compressed(out, **{name: value.astype(np.float32) for name, value in arrays.items()})
