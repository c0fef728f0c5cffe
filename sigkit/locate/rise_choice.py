"""Which of the rises about a detected firing is the firing's own: judged with all that stands around, by a network.

The steepest rise is the wrong one where a coil runs into its current limit before it is switched off, where the ring
lights the gap again, where a single impulse stands in the burn, and on slow recorders where the end of the burn rises
faster than its beginning.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from sigkit.locate.edge_features import REACH
from sigkit.locate.find_breakdown import RISE_S
from sigkit.locate.levels_about import RunningLevels
from sigkit.locate.likeliest import two_likeliest
from sigkit.locate.rough_windows import RoughWindows
from sigkit.prepare.channel_condition import ChannelCondition
from sigkit.prepare.firing_windows import cut_windows
from sigkit.prepare.stored_network import evaluate_network, load_network
from sigkit.types.channel import Channel
from sigkit.types.firings import Firings

#: Weights made by ``benchmarks/train_locator.py`` from simulated engines.
WEIGHTS = "rise_weights.npz"
#: Search range about the detector's onset, seconds (our choice: as late as most detections are, and a slow rise).
BEFORE_S, AFTER_S = 0.45e-3, 0.35e-3
#: A rise is what the record gains within this time, seconds (our choice).
WIDTH_S = 40e-6
#: Rises that are judged, and how far they lie apart, seconds (our choice).
PLACES, APART_S = 6, 40e-6
#: Edges of the time bins about a rise, seconds (our choice: the dwell before, burn and ring behind).
EDGES_S = 1e-6 * np.array([
    -4000, -2500, -1500, -900, -500, -300, -180, -110, -70, -40, -20, 0, 20, 40, 70, 110, 180, 300, 450, 650, 900, 1300,
    1800, 2500, 4000,
])  # fmt: skip
#: Bin behind a rise's own column.
BEHIND = int(np.searchsorted(EDGES_S, 0.0))
FURTHER = 17
FEATURE_COUNT = EDGES_S.size - 1 + FURTHER


@dataclass(frozen=True, eq=False)
class Rises:
    """Rises about n detected firings, the greatest first.

    Attributes
    ----------
    rows : ndarray, shape (n, m)
        Windows about the onset at the full rate, signed so that firing lines point up, about the settled level; NaN off
        the record.
    origin : ndarray of int64, shape (n,)
        Sample of column 0.
    column : ndarray of int64, shape (n, PLACES)
        Where each rise arrives.
    gain : ndarray, shape (n, PLACES)
        By how much the record has risen; NaN where there is no further rise.
    features : ndarray, shape (n, PLACES, FEATURE_COUNT)
        What is known of each; of a rise that is none it means nothing.
    """

    rows: NDArray[np.float64]
    origin: NDArray[np.int64]
    column: NDArray[np.int64]
    gain: NDArray[np.float64]
    features: NDArray[np.float64]


def rises_about(
    channel: Channel, firings: Firings, condition: ChannelCondition, rough: RoughWindows, levels: RunningLevels
) -> Rises:
    """Find the rises about each onset and describe them.

    Parameters
    ----------
    channel : Channel
    firings : Firings
    condition : ChannelCondition
    rough : RoughWindows
        Of the same firings.
    levels : RunningLevels
        Of the rough rows.
    """
    interval_s = 1.0 / channel.sample_rate_Hz
    # As far as the networks look about an edge found at the limits of the search: a window that ended before would tell
    # them where it was laid.
    zero = round(BEFORE_S / interval_s) + max(round(0.35e-3 / interval_s), REACH)
    after = round(AFTER_S / interval_s) + max(round(0.25e-3 / interval_s), REACH)
    origin = firings.position - zero
    rows = cut_windows(channel, origin, zero + after + 1) * rough.sign[:, None]
    if rough.tone.frequency_Hz:
        # The tone counts from the middle of the first rough column.
        start = (origin - rough.origin)[:, None] - 0.5 * (rough.factor - 1)
        rows = rows - rough.tone.at((start + np.arange(rows.shape[1])) * interval_s)
    rows -= rough.baseline[:, None]
    column, gain = greatest_rises(rows, zero, interval_s)
    place = rough.to_columns(origin.astype(float))[:, None] + column / rough.factor
    mean, count = levels.about(np.repeat(np.arange(len(rows)), PLACES), place.ravel(), EDGES_S / rough.interval_s)
    mean, count = mean.reshape(*place.shape, -1), count.reshape(*place.shape, -1)
    # One scale a firing, so that its rises can be compared.
    scale = np.maximum(np.abs(mean).max(axis=(1, 2)), 1e-300)[:, None]
    top = _tops(rows, column, max(2, round(RISE_S / interval_s)))
    behind = mean[:, :, BEHIND + 2 : BEHIND + 4].mean(axis=2)
    before = mean[:, :, BEHIND - 4 : BEHIND - 2].mean(axis=2)
    at_s, size = (column - zero) * interval_s, np.nan_to_num(gain)
    later, later_s = _greatest_other(at_s, size, 1.0)
    earlier, earlier_s = _greatest_other(at_s, size, -1.0)
    dwell_s = (place - rough.coil_on[:, None]) * rough.interval_s
    recorded_s = count * rough.interval_s

    def wide(value: float | NDArray) -> NDArray:
        return np.broadcast_to(np.asarray(value, dtype=float).reshape(-1, 1), place.shape)

    further = [
        np.log10(np.clip(size / scale, 1e-3, 1e2)), size / np.maximum(size[:, :1], 1e-300), at_s / 0.3e-3,
        np.clip(top / scale, -3.0, 10.0), np.clip((top - behind) / scale, -3.0, 10.0), (behind - before) / scale,
        np.clip(later / scale, 0.0, 10.0), later_s / 0.3e-3, np.clip(earlier / scale, 0.0, 10.0), earlier_s / 0.3e-3,
        np.where(np.isfinite(dwell_s), np.clip(dwell_s / 3e-3, -1.0, 4.0), -1.0),
        wide(np.log10(np.clip(condition.noise / scale, 1e-5, 1e2))), wide(np.log10(interval_s / 1e-6)),
        wide(float(channel.kind == "primary_voltage")), wide(np.log10(1.0 + rough.droop_rate)),
        recorded_s[:, :, :BEHIND].sum(axis=2) / -EDGES_S[0], recorded_s[:, :, BEHIND:].sum(axis=2) / EDGES_S[-1],
    ]  # fmt: skip
    features = np.concatenate([mean / scale[:, :, None], np.stack(further, axis=2)], axis=2)
    return Rises(rows, origin, column, gain, features)


def greatest_rises(rows: NDArray, zero: int, interval_s: float) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Return the columns where rows have risen most about column ``zero``, and by how much, the greatest first.

    Parameters
    ----------
    rows : ndarray, shape (n, m)
        NaN off the record.
    zero : int
    interval_s : float
        Time between columns.

    Returns
    -------
    column : ndarray of int64, shape (n, PLACES)
        ``zero`` where there is no further rise.
    gain : ndarray, shape (n, PLACES)
        NaN where there is no further rise.

    Examples
    --------
    >>> column, gain = greatest_rises(np.array([[0.0, 0.0, 0.0, 2.0, 2.0, 1.0, 4.0]]), 3, 50e-6)
    >>> column[0, :2].tolist(), gain[0, :3].tolist()
    ([6, 3], [3.0, 2.0, nan])
    """
    n, m = rows.shape
    width, apart = max(1, round(WIDTH_S / interval_s)), max(1, round(APART_S / interval_s))
    first = max(zero - round(BEFORE_S / interval_s), width)
    last = min(m, zero + round(AFTER_S / interval_s) + 1)
    left = rows[:, first:last] - rows[:, first - width : last - width]
    left[~(left > 0.0)] = -np.inf
    place, index = np.arange(left.shape[1]), np.arange(n)
    column, gain = np.full((n, PLACES), zero), np.full((n, PLACES), np.nan)
    for number in range(PLACES):
        best = left.argmax(axis=1)
        value = left[index, best]
        there = np.isfinite(value)
        column[there, number], gain[there, number] = best[there] + first, value[there]
        left[np.abs(place - best[:, None]) <= apart] = -np.inf
    return column, gain


def _tops(rows: NDArray, column: NDArray, reach: int) -> NDArray[np.float64]:
    """Return the largest sample of each rise; 0 where nothing is recorded."""
    index, about = np.arange(len(rows))[:, None], np.arange(-1, reach + 1)
    top = np.empty(column.shape)
    for number in range(column.shape[1]):
        seen = rows[index, np.clip(column[:, number, None] + about, 0, rows.shape[1] - 1)]
        top[:, number] = np.fmax.reduce(seen, axis=1)
    return np.nan_to_num(top)


def _greatest_other(at_s: NDArray, gain: NDArray, side: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return gain and distance of the greatest other rise later (side 1) or earlier (side -1) than each; else 0."""
    gap_s = at_s[:, None, :] - at_s[:, :, None]
    there = np.where(side * gap_s > 0.0, gain[:, None, :], 0.0)
    best = there.argmax(axis=2)
    value = there.max(axis=2)
    return value, np.where(value > 0.0, np.take_along_axis(gap_s, best[:, :, None], axis=2)[:, :, 0], 0.0)


@lru_cache(maxsize=1)
def _weights() -> dict[str, NDArray[np.float32]]:
    return load_network("sigkit.locate", WEIGHTS, FEATURE_COUNT)


@dataclass(frozen=True, eq=False)
class ChosenRises:
    """The rise of each of n firings. Arrays have shape (n,).

    Attributes
    ----------
    column : ndarray of int64
        Where it arrives.
    log_odds : ndarray
        That this is the firing's own; 0 where nothing rises.
    share : ndarray
        Its chance among all rises.
    rival_share, rival_away : ndarray
        Chance of the likeliest other rise, 0 where there is none, and how many columns away it arrives.
    """

    column: NDArray[np.int64]
    log_odds: NDArray[np.float64]
    share: NDArray[np.float64]
    rival_share: NDArray[np.float64]
    rival_away: NDArray[np.int64]


def choose_rises(rises: Rises) -> ChosenRises:
    """Choose the rise of each firing.

    Raises
    ------
    sigkit.errors.ModelError
        When the stored weights do not fit the features.
    """
    odds = np.where(np.isfinite(rises.gain), evaluate_network(_weights(), rises.features), -np.inf)
    index = np.arange(len(odds))
    first, second, share, rival_share = two_likeliest(odds)
    column = rises.column[index, first]
    best = odds[index, first]
    return ChosenRises(
        column, np.where(np.isfinite(best), best, 0.0), share, rival_share,
        np.abs(rises.column[index, second] - column),
    )  # fmt: skip
