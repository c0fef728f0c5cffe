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
#: Likely ends handed on for a closer look (our choice).
PLACES = 6
#: Candidates judged at once (measured: so many of their features stay in the second-level cache).
AT_ONCE = 8000
#: Those this much less likely than the likeliest are left out, in log-odds (our choice).
LEAST_ODDS = 10.0


@dataclass(frozen=True, eq=False)
class LikelyEnds:
    """Likely ends of each firing.

    Attributes
    ----------
    places, odds : ndarray, shape (n, PLACES)
        Columns and log-odds of the likeliest candidates that stand `APART_S` apart, likeliest first; NaN and -inf
        where there are fewer.
    """

    places: NDArray[np.float64]
    odds: NDArray[np.float64]

    @property
    def column(self) -> NDArray[np.float64]:
        """Rough column of the likeliest, shape (n,); NaN where there is no candidate."""
        return self.places[:, 0]

    @property
    def log_odds(self) -> NDArray[np.float64]:
        """That it is the end, shape (n,)."""
        return self.odds[:, 0]

    @property
    def rival_log_odds(self) -> NDArray[np.float64]:
        """Of the second likeliest, shape (n,)."""
        return self.odds[:, 1]


@lru_cache(maxsize=1)
def _weights() -> dict[str, NDArray[np.float32]]:
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
    chunk = max(1, AT_ONCE // max(1, k))
    for begin in range(0, n, chunk):
        part = slice(begin, begin + chunk)
        odds[part] = evaluate_network(_weights(), end_features(look, part))
    odds = np.where(np.isfinite(candidates), odds, -np.inf)
    index = np.arange(n)
    places, values = np.full((n, PLACES), np.nan), np.full((n, PLACES), -np.inf)
    left = odds.copy()
    for number in range(PLACES):
        best = left.argmax(axis=1)
        values[:, number] = left[index, best]
        values[values[:, number] < values[:, 0] - LEAST_ODDS, number] = -np.inf
        some = np.isfinite(values[:, number])
        places[some, number] = candidates[index, best][some]
        left[np.abs(candidates - places[:, number : number + 1]) * look.rough.interval_s <= APART_S] = -np.inf
    return LikelyEnds(places, values)
