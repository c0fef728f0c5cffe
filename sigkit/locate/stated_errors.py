"""How far off the instants may be: the size of the error expected of a firing, and 95 % intervals from it.

The expected size is learnt from simulated engines; a factor for each sample rate, found on other engines, makes
95 of 100 true instants fall inside (normalised conformal prediction: Papadopoulos and others, 2008, from memory).
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from sigkit.locate.answer_features import FEATURE_COUNT
from sigkit.prepare.stored_network import load_network, network_outputs

#: Weights made by ``benchmarks/train_locator.py`` from simulated engines.
WEIGHTS = "error_weights.npz"
#: Error to which the logarithm is cut, samples or columns (our choice).
FLOOR = 0.03
#: Limits between the classes of sample rate with a factor of their own, hertz (our choice: between usual rates).
RATE_EDGES_HZ = np.array([32e3, 71e3, 141e3, 316e3, 707e3, 1.41e6, 3.16e6])


@lru_cache(maxsize=1)
def _weights() -> dict[str, NDArray[np.float32]]:
    return load_network("sigkit.locate", WEIGHTS, FEATURE_COUNT)


def predicted_sizes(held: Mapping[str, NDArray], features: NDArray) -> NDArray[np.float64]:
    """Return the expected error of breakdown and coil_off in samples, of burn_end in rough columns, shape (n, 3)."""
    return np.exp(np.clip(network_outputs(held, features), np.log(FLOOR), 8.0))


def half_widths(features: NDArray, sample_rate_Hz: float) -> NDArray[np.float64]:
    """Return half the 95 % interval of breakdown and coil_off (samples) and burn_end (rough columns), shape (n, 3).

    Raises
    ------
    sigkit.errors.ModelError
        When the stored weights do not fit the features.
    """
    held = _weights()
    factor = held["factor"][int(np.searchsorted(RATE_EDGES_HZ, sample_rate_Hz))]
    return np.asarray(predicted_sizes(held, features) * factor)
