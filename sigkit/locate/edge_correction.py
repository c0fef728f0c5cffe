"""What the recorder's delay and the coarse reading shift rise and collapse by: a small network with stored weights."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from sigkit.locate.edge_features import FEATURE_COUNT, edge_features
from sigkit.locate.first_look import FirstLook
from sigkit.prepare.stored_network import load_network, network_outputs

#: Weights made by ``benchmarks/train_locator.py`` from simulated engines.
WEIGHTS = "edge_weights.npz"


@lru_cache(maxsize=1)
def _weights() -> dict[str, NDArray[np.float32]]:
    return load_network("sigkit.locate", WEIGHTS, FEATURE_COUNT)


def edge_shifts(
    look: FirstLook, sample_rate_Hz: float, noise: float, primary: bool
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return by how many samples breakdown and coil_off were read too late.

    Parameters
    ----------
    look : FirstLook
    sample_rate_Hz : float
    noise : float
        Standard deviation of one sample.
    primary : bool
        Whether the channel shows the primary.

    Returns
    -------
    breakdown, coil_off : ndarray, shape (n,)
        To be taken off what `find_breakdown` read.

    Raises
    ------
    sigkit.errors.ModelError
        When the stored weights do not fit the features.
    """
    features = edge_features(look.fine, look.found, sample_rate_Hz, noise, look.rough.droop_rate, primary)
    # The network was fitted to the inverse hyperbolic sine of the shift: gross errors weigh little.
    shift = np.sinh(np.clip(network_outputs(_weights(), features), -6.0, 6.0))
    return shift[:, 0], shift[:, 1]
