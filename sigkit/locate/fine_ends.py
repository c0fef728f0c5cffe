"""The end of the burn, column by column about the likely places: a small network with stored weights."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from sigkit.locate.end_network import APART_S, LikelyEnds
from sigkit.locate.first_look import FirstLook
from sigkit.prepare.stored_network import evaluate_network, load_network

#: Weights made by ``benchmarks/train_locator.py`` from simulated engines, for columns of up to and beyond this time.
WEIGHTS = {"fast": "fine_fast_weights.npz", "slow": "fine_slow_weights.npz"}
FAST_S = 6e-6
#: Places judged to either side of a likely end (our choice: the likely ends stand 8 us apart or a column).
REACH_S = 26e-6
REACH_COLUMNS = 2
#: Places judged at once (measured: so many of their features stay in the second-level cache).
AT_ONCE = 1500
#: Empty columns at the sides of the odds, so that no reading runs off.
MARGIN = 64
#: Bin edges about a place (our choice): seconds for fast records, columns for slow ones.
EDGES_S = 1e-6 * np.array([
    -300, -200, -140, -100, -75, -58, -46, -37, -30, -25, -21, -17, -14, -11, -9, -7, -5, -3, -1, 1, 3, 5, 7, 9,
    11, 14, 17, 21, 25, 30, 37, 46, 58, 75, 100, 140, 200, 300,
])  # fmt: skip
EDGES_COLUMNS = np.array([-24.0, -16.0, -11.5, -8.5, *(k + 0.5 for k in range(-7, 9)), 10.5, 13.5, 18.5, 26.5])
FURTHER = 10
FEATURE_COUNT = {"fast": EDGES_S.size - 1 + FURTHER, "slow": EDGES_COLUMNS.size - 1 + FURTHER}


@dataclass(frozen=True, eq=False)
class FineEnds:
    """The likely ends of n burns, placed between columns. Arrays have shape (n, PLACES).

    Attributes
    ----------
    column : ndarray
        Float column; NaN where there is none, or where a likelier place found the same.
    log_odds : ndarray
        Of the likeliest column there; -20 where there is none.
    mass : ndarray
        Sum of the odds within two columns of it.
    spread : ndarray
        Standard deviation of the place, columns.
    width : ndarray
        The same over all columns judged about it.
    """

    column: NDArray[np.float64]
    log_odds: NDArray[np.float64]
    mass: NDArray[np.float64]
    spread: NDArray[np.float64]
    width: NDArray[np.float64]


def regime(interval_s: float) -> str:
    """Return which network judges columns of this length."""
    return "fast" if interval_s < FAST_S else "slow"


def fine_features(
    look: FirstLook, row: NDArray, column: NDArray, lag: NDArray, primary: bool
) -> NDArray[np.float64]:
    """Describe possible ends.

    Parameters
    ----------
    look : FirstLook
    row, column : ndarray of int, shape (k,)
        Firing and rough column of each place.
    lag : ndarray, shape (n,)
        What the recorder delays the breakdown by, rough columns.
    primary : bool
        Whether the channel shows the primary.

    Returns
    -------
    ndarray of float64, shape (k, FEATURE_COUNT[regime])
    """
    interval_s = look.rough.interval_s
    edges = EDGES_S / interval_s if regime(interval_s) == "fast" else EDGES_COLUMNS
    mean, count = look.levels.about(row, column.astype(float), edges)
    scale = np.maximum(np.abs(mean).max(axis=1), 1e-300)
    level = np.maximum(look.found.early_level[row], 1e-300)
    since = np.maximum(column - look.breakdown[row], 0.1) * interval_s
    one = np.ones(row.size)
    further = [
        np.log10(np.clip(scale / level, 1e-3, 1e3)),
        np.log10(np.clip(look.column_noise / scale, 1e-5, 1e2)),
        np.log10(since / 1e-3),
        np.log10(interval_s / 1e-6) * one,
        float(primary) * one,
        np.log10(np.clip(look.found.peak_level[row] / level, 1e-2, 1e2)),
        np.clip(look.found.dwell_level[row] / level, -5.0, 5.0),
        np.log10(1.0 + look.rough.droop_rate) * one,
        count[:, -4:].sum(axis=1) / (edges[-1] - edges[-5]),
        np.clip(lag[row], -3.0, 3.0),
    ]
    return np.concatenate([mean / scale[:, None], np.stack(further, axis=1)], axis=1)


def places(look: FirstLook, likely: LikelyEnds) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return firing and column of every place to judge, in order."""
    n, m = look.rough.rows.shape
    about = np.round(likely.places)[:, :, None] + np.arange(-_reach(look), _reach(look) + 1)
    good = np.isfinite(about) & (about > look.breakdown[:, None, None] + 0.5) & (about >= 0) & (about < m - 1)
    marked = np.zeros((n, m), dtype=bool)
    marked[np.nonzero(good)[0], about[good].astype(np.int64)] = True
    row, column = np.divmod(np.flatnonzero(marked), m)
    seen = np.isfinite(look.rough.rows[row, column])
    return row[seen], column[seen]


@lru_cache(maxsize=2)
def _weights(which: str) -> dict[str, NDArray[np.float32]]:
    return load_network("sigkit.locate", WEIGHTS[which], FEATURE_COUNT[which])


def fine_ends(look: FirstLook, likely: LikelyEnds, lag: NDArray, primary: bool) -> FineEnds:
    """Judge every column about the likely ends, and place each of them between columns.

    Raises
    ------
    sigkit.errors.ModelError
        When the stored weights do not fit the features.
    """
    n, m = look.rough.rows.shape
    odds = np.full((n, m + 2 * MARGIN), -np.inf)
    row, column = places(look, likely)
    weights = _weights(regime(look.rough.interval_s))
    for begin in range(0, row.size, AT_ONCE):
        at = row[begin : begin + AT_ONCE], column[begin : begin + AT_ONCE]
        judged = evaluate_network(weights, fine_features(look, *at, lag, primary))
        odds[at[0], at[1] + MARGIN] = np.clip(judged, -20.0, 20.0)
    reach = _reach(look)
    middle = np.round(np.nan_to_num(likely.places)).astype(np.int64)
    window = _read(odds, middle, np.arange(-reach, reach + 1))
    best = middle + window.argmax(axis=2) - reach
    top = window.max(axis=2)
    step = np.arange(-2.0, 3.0)
    chance = np.exp(_read(odds, best, step.astype(np.int64)))
    mass = chance.sum(axis=2)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = (chance * step).sum(axis=2) / mass
        spread = np.sqrt(np.maximum((chance * step**2).sum(axis=2) / mass - mean**2, 0.0))
        all_chance = np.exp(window - top[:, :, None])
        whole, wide = all_chance.sum(axis=2), np.arange(-reach, reach + 1.0)
        centre = (all_chance * wide).sum(axis=2) / whole
        width = np.sqrt(np.maximum((all_chance * wide**2).sum(axis=2) / whole - centre**2, 0.0))
    found = np.isfinite(likely.places) & np.isfinite(top)
    place = np.where(found, best + mean, np.nan)
    same_s = 0.5 * APART_S
    for number in range(1, place.shape[1]):
        with np.errstate(invalid="ignore"):
            away_s = np.abs(place[:, :number] - place[:, number : number + 1]) * look.rough.interval_s
            place[(away_s < same_s).any(axis=1), number] = np.nan
    found = np.isfinite(place)
    return FineEnds(
        place, np.where(found, top, -20.0), np.where(found, mass, 0.0), np.where(found, spread, np.nan),
        np.where(found, width, np.nan),
    )  # fmt: skip


def _reach(look: FirstLook) -> int:
    return max(REACH_COLUMNS, int(np.ceil(REACH_S / look.rough.interval_s)))


def _read(odds: NDArray, middle: NDArray, offsets: NDArray) -> NDArray[np.float64]:
    """Read odds about columns, shape (n, places, offsets)."""
    at = np.clip(middle[:, :, None] + offsets + MARGIN, 0, odds.shape[1] - 1)
    return np.asarray(np.take_along_axis(odds, at.reshape(len(odds), -1), axis=1).reshape(at.shape))
