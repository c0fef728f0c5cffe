"""Fit the small networks of detector and locator and store them as plain arrays."""

from __future__ import annotations

import warnings
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sigkit.jobs import TaskFailure, run_jobs

#: What all fits have in common (our choice).
_SETTINGS: dict[str, Any] = {
    "alpha": 1e-4, "early_stopping": True, "validation_fraction": 0.05, "n_iter_no_change": 5, "random_state": 1,
}  # fmt: skip


def finished(make_task: Callable[[int], Any], tasks: list[int], workers: int, title: str) -> list[Any]:
    """Return the results of all tasks; the first failure is raised."""
    parts = run_jobs(make_task, tasks, workers, progress=title)
    for part in parts:
        if isinstance(part, TaskFailure):
            raise part.error
    return parts


def fit_network(
    features: NDArray, label: NDArray, layers: tuple[int, ...], out: Path, members: int = 1,
    settling: tuple[tuple[float, int], ...] = (), passes: int = 0,
) -> None:  # fmt: skip
    """Fit a network on examples (label 1 or 0, one of several classes, or several of them) and write it as ``.npz``.

    Several members are fitted from different starts. Settling are smaller rates and the passes at each, last of all.
    Passes, where given, are made before that; else a fit ends where its examples kept apart are judged no better: of
    several labels that counts rows with every label right, which says little and ends too soon.
    """
    from sklearn.neural_network import MLPClassifier

    _fit(MLPClassifier, features, label, layers, out, members, settling, passes)


def fit_further(features: NDArray, label: NDArray, stored: Path, stages: tuple[tuple[float, int], ...]) -> None:
    """Teach a stored network of two classes further on examples, and write it again.

    Stages are rates, and at most so many passes at each.
    """
    from sklearn.exceptions import ConvergenceWarning
    from sklearn.neural_network import MLPClassifier

    with np.load(stored) as held:
        arrays = {name: held[name] for name in held.files}
    layers = range(sum(name.startswith("weight_") for name in arrays))
    hidden = tuple(arrays[f"weight_{number}"].shape[1] for number in layers[:-1])
    scaled = ((features - arrays["centre"].astype(float)) / arrays["spread"].astype(float)).astype(np.float32)
    network = MLPClassifier(hidden_layer_sizes=hidden, max_iter=1, batch_size=1024, warm_start=True, **_SETTINGS)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ConvergenceWarning)
        # One pass makes the network; then it takes over the stored weights.
        network.fit(scaled[:4000], label[:4000])
        network.coefs_ = [arrays[f"weight_{number}"] for number in layers]
        network.intercepts_ = [arrays[f"bias_{number}"] for number in layers]
        for rate, passes in stages:
            network.best_validation_score_, network._no_improvement_count = -np.inf, 0
            network.n_iter_, network.t_ = 0, 0
            network.set_params(learning_rate_init=rate, max_iter=passes).fit(scaled, label)
    _write([network], arrays["centre"], arrays["spread"], stored)


def fit_outputs(
    features: NDArray, target: NDArray, layers: tuple[int, ...], out: Path,
    settling: tuple[tuple[float, int], ...] = (),
) -> None:  # fmt: skip
    """Fit a network on numbers, shape (n, outputs), and write its weights as ``.npz``; settling as in `fit_network`."""
    from sklearn.neural_network import MLPRegressor

    _fit(MLPRegressor, features, target, layers, out, 1, settling)


def _fit(
    kind: type, features: NDArray, target: NDArray, layers: tuple[int, ...], out: Path, members: int = 1,
    settling: tuple[tuple[float, int], ...] = (), passes: int = 0,
) -> None:  # fmt: skip
    import joblib
    from sklearn.exceptions import ConvergenceWarning
    from sklearn.preprocessing import StandardScaler

    scaler = StandardScaler().fit(features)
    scaled = scaler.transform(features)
    size = 512 if len(target) < 300_000 else 1024
    told = {"max_iter": 60} | _SETTINGS
    if passes:
        told |= {"max_iter": passes, "n_iter_no_change": passes, "early_stopping": False}
    networks = [
        kind(hidden_layer_sizes=layers, batch_size=size, **{**told, "random_state": 1 + number})
        for number in range(members)
    ]

    def fitted(network: Any) -> Any:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", ConvergenceWarning)
            network.fit(scaled, target)
            network.set_params(warm_start=True, early_stopping=False, max_iter=1)
            for rate, times in settling:
                network.set_params(learning_rate_init=rate)
                for _ in range(times):
                    network.best_loss_, network._no_improvement_count = np.inf, 0
                    network.fit(scaled, target)
        return network

    networks = joblib.Parallel(n_jobs=min(members, joblib.cpu_count()))(map(joblib.delayed(fitted), networks))
    _write(networks, scaler.mean_, scaler.scale_, out)


def _write(networks: list[Any], centre: NDArray, spread: NDArray, out: Path) -> None:
    arrays = {"centre": centre, "spread": spread}
    for number in range(len(networks[0].coefs_)):
        weight = np.stack([network.coefs_[number] for network in networks])
        bias = np.stack([network.intercepts_[number] for network in networks])
        one = len(networks) == 1
        arrays[f"weight_{number}"], arrays[f"bias_{number}"] = (weight[0], bias[0]) if one else (weight, bias)
    np.savez_compressed(out, **{name: value.astype(np.float32) for name, value in arrays.items()})
