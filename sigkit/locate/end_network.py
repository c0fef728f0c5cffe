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

#: Weights made by ``benchmarks/train_locator.py`` from simulated engines.
WEIGHTS = "end_weights.npz"
#: Candidates this far apart are different ends, seconds (our choice).
APART_S = 40e-6
#: Likely ends handed on for a closer look (our choice: with the second, 98 of 100 true ends are among them).
PLACES = 4


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
    places : ndarray, shape (n, PLACES)
        Columns of the likeliest candidates that stand `APART_S` apart, likeliest first; NaN where there are fewer.
    """

    column: NDArray[np.float64]
    log_odds: NDArray[np.float64]
    rival_log_odds: NDArray[np.float64]
    places: NDArray[np.float64]


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
    places, values = np.full((n, PLACES), np.nan), np.full((n, PLACES), -np.inf)
    left = odds.copy()
    for number in range(PLACES):
        best = left.argmax(axis=1)
        values[:, number] = left[index, best]
        some = np.isfinite(values[:, number])
        places[some, number] = candidates[index, best][some]
        left[np.abs(candidates - places[:, number : number + 1]) * look.rough.interval_s <= APART_S] = -np.inf
    return LikelyEnds(places[:, 0], values[:, 0], values[:, 1], places)
