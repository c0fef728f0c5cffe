"""How far off the instants may be: 95 % intervals from the chances that an error is larger than so much.

The chances are learnt from simulated engines. What they say 95 of 100 errors stay within is multiplied by a factor for
each sample rate that made it true on other engines (normalised conformal prediction: Papadopoulos and others, 2008,
from memory).
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
#: Breakdown and coil_off in samples, burn_end in rough columns.
QUANTITIES = 3
#: Sizes of an error whose chance to be exceeded is told, samples or columns (our choice).
SIZES = np.geomspace(0.05, 500.0, 19)
#: Chance that an error is beyond the interval.
BEYOND = 0.05
#: Limits between the classes of sample rate with a factor of their own, hertz (our choice: between usual rates).
RATE_EDGES_HZ = np.array([32e3, 71e3, 141e3, 316e3, 707e3, 1.41e6, 3.16e6])


@lru_cache(maxsize=1)
def _weights() -> dict[str, NDArray[np.float32]]:
    return load_network("sigkit.locate", WEIGHTS, FEATURE_COUNT)


def exceeded(error: NDArray) -> NDArray[np.int8]:
    """Return what the network learns: whether errors are larger than each of the sizes.

    Parameters
    ----------
    error : ndarray, shape (n, QUANTITIES)

    Returns
    -------
    ndarray of int8, shape (n, QUANTITIES * SIZES.size)
    """
    return (np.abs(error)[:, :, None] > SIZES).reshape(len(error), -1).astype(np.int8)


def told_limits(held: Mapping[str, NDArray], features: NDArray) -> NDArray[np.float64]:
    """Return what 95 of 100 errors stay within by the network's word, shape (n, QUANTITIES).

    Between two sizes the log-odds are a line over the logarithm of the size.
    """
    odds = network_outputs(held, features).reshape(-1, SIZES.size)
    # A larger error is never likelier than a smaller one.
    odds = np.minimum.accumulate(odds, axis=1)
    wanted = np.log(BEYOND / (1.0 - BEYOND))
    index = np.arange(len(odds))
    above = np.clip((odds > wanted).sum(axis=1), 1, SIZES.size - 1)
    before, behind = odds[index, above - 1], odds[index, above]
    share = np.clip((before - wanted) / np.maximum(before - behind, 1e-9), 0.0, 1.0)
    size = np.log(SIZES)
    return np.exp(size[above - 1] + share * (size[above] - size[above - 1])).reshape(-1, QUANTITIES)


def half_widths(features: NDArray, sample_rate_Hz: float) -> NDArray[np.float64]:
    """Return half the 95 % interval of breakdown and coil_off (samples) and burn_end (rough columns), shape (n, 3).

    Raises
    ------
    sigkit.errors.ModelError
        When the stored weights do not fit the features.
    """
    held = _weights()
    factor = held["factor"][int(np.searchsorted(RATE_EDGES_HZ, sample_rate_Hz))]
    return np.asarray(told_limits(held, features) * factor)
