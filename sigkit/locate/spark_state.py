"""Did the gap conduct, and does the end show? Told from all that is known of a firing by a small network."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from sigkit.locate.answer_features import FEATURE_COUNT
from sigkit.prepare.stored_network import load_network, network_outputs

#: Weights made by ``benchmarks/train_locator.py`` from simulated engines; outputs: no spark, end shows, end is cut off.
WEIGHTS = "state_weights.npz"
NO_SPARK, ENDS, CUT = range(3)
#: Conduction shorter than this is a flash (our choice, fixed in the design), seconds.
FLASH_S = 0.05e-3
#: Below this chance of the likeliest state the answer is "unknown" (our choice).
LEAST_CHANCE = 0.5


@lru_cache(maxsize=1)
def _weights() -> dict[str, NDArray[np.float32]]:
    return load_network("sigkit.locate", WEIGHTS, FEATURE_COUNT)


def judge_spark(features: NDArray, burn_s: NDArray) -> tuple[NDArray[np.str_], NDArray[np.bool_]]:
    """Judge conduction.

    Parameters
    ----------
    features : ndarray, shape (n, FEATURE_COUNT)
        From `sigkit.locate.answer_features`.
    burn_s : ndarray, shape (n,)
        From breakdown to the likeliest end, seconds; NaN where there is none.

    Returns
    -------
    state : ndarray of str, shape (n,)
        ``"yes"``, ``"flash"``, ``"no"`` or ``"unknown"``.
    cut : ndarray of bool, shape (n,)
        Whether the burn runs off the record.

    Raises
    ------
    sigkit.errors.ModelError
        When the stored weights do not fit the features.
    """
    odds = network_outputs(_weights(), features)
    odds = odds - odds.max(axis=1, keepdims=True)
    chance = np.exp(odds) / np.exp(odds).sum(axis=1, keepdims=True)
    likeliest = chance.argmax(axis=1)
    ends = (likeliest == ENDS) & np.isfinite(burn_s)
    cut = likeliest == CUT
    state = np.where(ends & (burn_s < FLASH_S), "flash", "yes").astype(object)
    state[likeliest == NO_SPARK] = "no"
    state[(chance.max(axis=1) < LEAST_CHANCE) | ((likeliest == ENDS) & ~ends)] = "unknown"
    return state, cut & (state == "yes")
