"""Fit the small networks of detector and locator and store them as plain arrays."""

from __future__ import annotations

import argparse
import warnings
from collections.abc import Callable
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from sigkit.jobs import TaskFailure, run_jobs

#: Features and labels (1 or 0) of examples.
Examples = tuple[NDArray, NDArray]


def train_command(
    description: str | None, make_task: Callable[[int], Examples], engines_a_task: int, engines: int,
    layers: tuple[int, ...], out: str,
) -> None:  # fmt: skip
    """Run a training script: read its options, make or reuse the examples, fit, write.

    Parameters
    ----------
    description : str
        Help of the script.
    make_task : callable
        Number of a batch -> its examples.
    engines_a_task, engines : int
        Engines of a batch, and of a whole run by default.
    layers : tuple of int
        Sizes of the hidden layers.
    out : str
        Weights file by default.
    """
    parser = argparse.ArgumentParser(description=description)
    parser.add_argument("--engines", type=int, default=engines)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--out", type=Path, default=Path(out))
    parser.add_argument("--examples", type=Path, help="keep or reuse the examples in this file")
    options = parser.parse_args()
    if options.examples and options.examples.exists():
        held = np.load(options.examples)
        features, label = held["features"], held["label"]
    else:
        tasks = list(range(max(1, options.engines // engines_a_task)))
        parts = run_jobs(make_task, tasks, options.workers, progress="simulating")
        for part in parts:
            if isinstance(part, TaskFailure):
                raise part.error
        features, label = (np.concatenate([part[i] for part in parts]) for i in (0, 1))
        if options.examples:
            np.savez(options.examples, features=features, label=label)
    fit_network(features, label, layers, options.out)


def fit_network(features: NDArray, label: NDArray, layers: tuple[int, ...], out: Path) -> None:
    """Fit a network on examples (label 1 or 0, or one of several classes) and write its weights as ``.npz``."""
    from sklearn.neural_network import MLPClassifier

    _fit(MLPClassifier, features, label, layers, out)


def fit_outputs(features: NDArray, target: NDArray, layers: tuple[int, ...], out: Path) -> None:
    """Fit a network on numbers, shape (n, outputs), and write its weights as ``.npz``."""
    from sklearn.neural_network import MLPRegressor

    _fit(MLPRegressor, features, target, layers, out)


def _fit(kind: type, features: NDArray, target: NDArray, layers: tuple[int, ...], out: Path) -> None:
    from sklearn.exceptions import ConvergenceWarning
    from sklearn.preprocessing import StandardScaler

    scaler = StandardScaler().fit(features)
    network = kind(
        hidden_layer_sizes=layers, alpha=1e-4, early_stopping=True, validation_fraction=0.05, n_iter_no_change=5,
        max_iter=60, batch_size=512 if len(target) < 300_000 else 1024, random_state=1,
    )  # fmt: skip
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ConvergenceWarning)
        network.fit(scaler.transform(features), target)
    arrays = {"centre": scaler.mean_, "spread": scaler.scale_}
    for number, (weight, bias) in enumerate(zip(network.coefs_, network.intercepts_, strict=True)):
        arrays[f"weight_{number}"], arrays[f"bias_{number}"] = weight, bias
    np.savez_compressed(out, **{name: value.astype(np.float32) for name, value in arrays.items()})
