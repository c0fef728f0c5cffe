"""Judge possible ends of the burn: a small network with stored weights."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from sigkit.locate.burn_candidates import candidate_grid
from sigkit.locate.end_features import FEATURE_COUNT, end_features
from sigkit.locate.first_look import FirstLook
from sigkit.prepare.stored_network import evaluate_network, load_network

#: Weights made by ``benchmarks/train_burn_end.py`` from simulated engines.
WEIGHTS = "end_weights.npz"
#: Candidates this far apart are different ends, seconds (our choice).
APART_S = 40e-6


@dataclass(frozen=True, eq=False)
class LikelyEnds:
    """Likeliest end of each firing. Arrays have shape (n,).

    Attributes
    ----------
    column : ndarray
        Rough column; NaN where there is no candidate.
    log_odds : ndarray
        That it is the end.
    rival_log_odds : ndarray
        Of the likeliest candidate further away than `APART_S`.
    rival : ndarray
        Its column.
    """

    column: NDArray[np.float64]
    log_odds: NDArray[np.float64]
    rival_log_odds: NDArray[np.float64]
    rival: NDArray[np.float64]


@lru_cache(maxsize=1)
def _weights() -> dict[str, NDArray[np.float64]]:
    return load_network("sigkit.locate", WEIGHTS, FEATURE_COUNT)


def likely_ends(look: FirstLook) -> LikelyEnds:
    """Return the likeliest end of each firing.

    Raises
    ------
    sigkit.errors.ModelError
        When the stored weights do not fit the features.
    """
    candidates = candidate_grid(look)
    n, k = candidates.shape
    odds = np.full((n, k), -np.inf)
    found = look.found
    chunk = max(1, 2_000_000 // max(1, k * FEATURE_COUNT))
    for begin in range(0, n, chunk):
        part = slice(begin, begin + chunk)
        features = end_features(
            look.rough.rows[part], candidates[part], look.breakdown[part], found.early_level[part],
            found.peak_level[part], found.dwell_level[part], look.rough.interval_s, look.column_noise,
        )  # fmt: skip
        odds[part] = evaluate_network(_weights(), features)
    odds = np.where(np.isfinite(candidates), odds, -np.inf)
    index = np.arange(n)
    best = odds.argmax(axis=1)
    column = candidates[index, best]
    apart = np.abs(candidates - column[:, None]) * look.rough.interval_s > APART_S
    others = np.where(apart, odds, -np.inf)
    second = others.argmax(axis=1)
    return LikelyEnds(column, odds[index, best], others[index, second], candidates[index, second])
