"""Judge swings: small networks with stored weights, for a glance at the swing, for the swing alone, for its company."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from sigkit.detect.candidate_features import FEATURE_COUNT
from sigkit.detect.company_features import FEATURES
from sigkit.detect.glance_features import GLANCE_COUNT
from sigkit.prepare.stored_network import evaluate_network, load_network, without_scaling

#: Weights from simulated engines and drawn other records: those of an earlier development run, taught further by
#: ``benchmarks/train_detector.py --further`` on 9800 engines of which a third are of other structure than the usual.
SWING_WEIGHTS = "swing_weights.npz"
COMPANY_WEIGHTS = "company_weights.npz"
#: Made by ``benchmarks/train_glance.py`` from what the first network says.
GLANCE_WEIGHTS = "glance_weights.npz"
#: Log-odds from which a swing seen at a glance is worth a closer look (our choice on simulated engines: lower ones keep
#: twice the swings and hardly a firing more).
WORTH_A_LOOK = -3.0

#: Swings described and judged at a time (our choice: memory stays flat on long records).
SWINGS_AT_ONCE = 4096


@lru_cache(maxsize=3)
def _weights(name: str, features: int) -> dict[str, NDArray[np.float32]]:
    # Folded in double precision; single is half the bytes, and log-odds differ by some 1e-5.
    held = without_scaling(load_network("sigkit.detect", name, features))
    return {key: values.astype(np.float32) for key, values in held.items()}


def forget_weights() -> None:
    """Load the weights anew at the next call, after they were written."""
    _weights.cache_clear()


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
    return evaluate_network(_weights(SWING_WEIGHTS, FEATURE_COUNT), features)


def worth_a_look(glances: NDArray) -> NDArray[np.bool_]:
    """Return which swings `judge_swings` may find likely, judged by a few levels around them.

    Parameters
    ----------
    glances : ndarray, shape (n, GLANCE_COUNT)
        From `glance_features`.

    Returns
    -------
    ndarray of bool, shape (n,)

    Raises
    ------
    sigkit.errors.ModelError
        When the stored weights do not fit the features.
    """
    return np.asarray(evaluate_network(_weights(GLANCE_WEIGHTS, GLANCE_COUNT), glances) > WORTH_A_LOOK)


def judge_company(features: NDArray) -> NDArray[np.float64]:
    """Return log-odds that each swing is a switching-off, its company considered.

    Parameters
    ----------
    features : ndarray, shape (n, len(sigkit.detect.company_features.FEATURES))

    Returns
    -------
    ndarray of float64, shape (n,)

    Raises
    ------
    sigkit.errors.ModelError
        When the stored weights do not fit the features.
    """
    return evaluate_network(_weights(COMPANY_WEIGHTS, len(FEATURES)), features)
