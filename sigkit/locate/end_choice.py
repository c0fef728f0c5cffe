"""Which of the likely ends is the end: judged with all that stands before and behind, by a small network."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from sigkit.locate.end_network import PLACES, LikelyEnds
from sigkit.locate.fine_ends import FineEnds
from sigkit.locate.first_look import FirstLook
from sigkit.locate.likeliest import MOST, two_likeliest
from sigkit.prepare.running_extreme import extremes_at
from sigkit.prepare.stored_network import evaluate_network, load_network

#: Weights made by ``benchmarks/train_locator.py`` from simulated engines.
WEIGHTS = "choice_weights.npz"
#: Edges of the time bins about a place, seconds (our choice: a whole burn before, the ring behind).
EDGES_S = 1e-6 * np.array([
    -2400, -1600, -1000, -650, -420, -280, -180, -115, -70, -40, -20, -8, 0, 8, 20, 40, 70, 110, 160, 220, 290, 370,
    460, 570, 700, 860, 1060, 1320, 1700, 2400,
])  # fmt: skip
#: Stretches behind a place whose swing is compared with the largest of the record, seconds (our choice).
SWINGS_S = ((0.0, 0.15e-3), (0.15e-3, 0.4e-3), (0.4e-3, 1.0e-3), (1.0e-3, 2.4e-3))
FURTHER = 20 + len(SWINGS_S)
FEATURE_COUNT = EDGES_S.size - 1 + FURTHER


@dataclass(frozen=True, eq=False)
class ChosenEnds:
    """Ends of n burns. Arrays have shape (n,).

    Attributes
    ----------
    column : ndarray
        Float column of the end; NaN where there is none.
    log_odds : ndarray
        That this is the end, from all evidence.
    fine_odds : ndarray
        Of its likeliest column, from the samples about it.
    share : ndarray
        Its chance among all likely ends.
    spread, width : ndarray
        Standard deviation of the place, columns; over all columns judged about it.
    mass : ndarray
        Sum of the odds within two columns of it.
    rival, rival_share : ndarray
        The likeliest other place, and its chance.
    """

    column: NDArray[np.float64]
    log_odds: NDArray[np.float64]
    fine_odds: NDArray[np.float64]
    share: NDArray[np.float64]
    spread: NDArray[np.float64]
    width: NDArray[np.float64]
    mass: NDArray[np.float64]
    rival: NDArray[np.float64]
    rival_share: NDArray[np.float64]


def choice_features(look: FirstLook, likely: LikelyEnds, fine: FineEnds, primary: bool) -> NDArray[np.float64]:
    """Describe the likely ends of n firings in their surroundings and among each other.

    Returns
    -------
    ndarray of float64, shape (n, PLACES, FEATURE_COUNT)
        Rows of places that are none mean nothing.
    """
    interval_s = look.rough.interval_s
    n = len(fine.column)
    place = np.nan_to_num(fine.column)
    row = np.repeat(np.arange(n), PLACES)
    mean, count = look.levels.about(row, place.ravel(), EDGES_S / interval_s)
    mean, count = mean.reshape(n, PLACES, -1), count.reshape(n, PLACES, -1)
    # One scale a firing, so that the places of one firing can be compared.
    scale = np.maximum(np.abs(mean).max(axis=(1, 2)), 1e-300)
    level = np.maximum(look.found.early_level, 1e-300)
    since_s = (place - look.breakdown[:, None]) * interval_s
    odds = np.where(np.isfinite(fine.column), fine.log_odds, -MOST)
    coarse = np.clip(likely.odds, -MOST, MOST)
    gap_s = (place[:, None, :] - place[:, :, None]) * interval_s

    def strongest(side: NDArray) -> tuple[NDArray, NDArray]:
        """Log-odds of the likeliest other place on one side, and its distance."""
        there = np.where(side & np.isfinite(fine.column)[:, None, :], odds[:, None, :], -MOST)
        best = there.argmax(axis=2)
        at = np.take_along_axis(gap_s, best[:, :, None], axis=2)[:, :, 0]
        value = there.max(axis=2)
        return value, np.where(value > -MOST, np.abs(at), 0.0)

    later, later_s = strongest(gap_s > 1e-6)
    earlier, earlier_s = strongest(gap_s < -1e-6)
    swings = _swings(look, place)
    whole = np.maximum(swings.max(axis=(1, 2)), 1e-300)[:, None, None]

    def wide(value: NDArray) -> NDArray:
        return np.broadcast_to(np.asarray(value, dtype=float).reshape(-1, 1), place.shape)

    step = mean[:, :, 12] - mean[:, :, 11]
    further = [
        odds / 5.0, coarse / 5.0, np.log10(np.maximum(fine.mass, 1e-9)),
        np.nan_to_num(fine.spread, nan=2.0), later / 5.0, later_s / 0.3e-3, earlier / 5.0, earlier_s / 0.3e-3,
        (odds - odds.max(axis=1, keepdims=True)) / 5.0, (coarse - coarse.max(axis=1, keepdims=True)) / 5.0,
        np.log10(np.maximum(since_s, 1e-6) / 1e-3), step / scale[:, None],
        wide(np.log10(np.clip(scale / level, 1e-3, 1e3))),
        wide(np.log10(np.clip(look.column_noise / scale, 1e-5, 1e2))),
        wide(np.log10(np.full(n, interval_s) / 1e-6)), wide(np.full(n, float(primary))),
        wide(np.log10(np.clip(look.found.peak_level / level, 1e-2, 1e2))),
        wide(np.clip(np.nan_to_num(look.found.dwell_level) / level, -5.0, 5.0)),
        wide(np.full(n, np.log10(1.0 + look.rough.droop_rate))),
        count[:, :, -12:].sum(axis=2) * interval_s / (EDGES_S[-1] - EDGES_S[-13]),
    ]  # fmt: skip
    return np.concatenate(
        [mean / scale[:, None, None], swings / whole, np.stack(further, axis=2)], axis=2
    )


def _swings(look: FirstLook, place: NDArray) -> NDArray[np.float64]:
    """Range of the record within each of the stretches behind the places, shape (n, places, stretches)."""
    # Extremes of block means: stretches are long against 16 us, and single impulses are averaged down.
    length = max(1, round(16e-6 / look.rough.interval_s))
    block_s = look.rough.interval_s * length
    mean, count = look.levels.blocks(length)
    mean = mean.astype(np.float32)
    widths = np.array([max(1, round((stop_s - start_s) / block_s)) for start_s, stop_s in SWINGS_S])
    starts = np.array([start_s for start_s, _ in SWINGS_S]) / look.rough.interval_s
    begin = np.round((place[:, :, None] + starts) / length).astype(np.int64) + 1
    highest = extremes_at(np.where(count > 0, mean, np.float32(-np.inf)), begin, widths, np.maximum)
    lowest = extremes_at(np.where(count > 0, mean, np.float32(np.inf)), begin, widths, np.minimum)
    return np.where(np.isfinite(highest - lowest), highest - lowest, 0.0).astype(float)


@lru_cache(maxsize=1)
def _weights() -> dict[str, NDArray[np.float32]]:
    return load_network("sigkit.locate", WEIGHTS, FEATURE_COUNT)


def choose_ends(look: FirstLook, likely: LikelyEnds, fine: FineEnds, primary: bool) -> ChosenEnds:
    """Choose the end of each burn among its likely ends.

    Raises
    ------
    sigkit.errors.ModelError
        When the stored weights do not fit the features.
    """
    n = len(fine.column)
    odds = np.clip(evaluate_network(_weights(), choice_features(look, likely, fine, primary)), -MOST, MOST)
    odds = np.where(np.isfinite(fine.column), odds, -np.inf)
    first, second, share, rival_share = two_likeliest(odds)
    index = np.arange(n)
    return ChosenEnds(
        fine.column[index, first], np.maximum(odds[index, first], -MOST), fine.log_odds[index, first],
        share, fine.spread[index, first], fine.width[index, first], fine.mass[index, first],
        fine.column[index, second], rival_share,
    )  # fmt: skip
