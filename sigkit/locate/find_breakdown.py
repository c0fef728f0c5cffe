"""Where the firing line rises and where the gap breaks down, at the full sample rate."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sigkit.prepare.median import row_median

#: Search range about the detector's onset, seconds (our choice: two blocks of lag and a slow rise).
BEFORE_S = 0.25e-3
AFTER_S = 0.30e-3
#: The first rise ends within this time after its start, seconds (our choice: a ring-up quarter period).
RISE_S = 0.12e-3
#: A firing line stands out when it is this much taller than the burn line behind it (our choice).
SPIKE_RATIO = 1.25
#: A coil that runs into its current limit shortly before it is switched off shows a rise as steep as the firing's, but
#: no burn line stands behind it. A later or earlier rise is taken instead where rise plus this many times the mean
#: level in this window behind it is larger, and it rises by at least this share of the steepest, this far from it (our
#: choice, on simulated engines).
_BEHIND_WEIGHT, _BEHIND_S, _BEHIND_SHARE, _APART_S = 2.0, (20e-6, 150e-6), 0.2, 50e-6


@dataclass(frozen=True, eq=False)
class Breakdowns:
    """Rise and breakdown of n firings, float columns of the rows searched. Arrays have shape (n,).

    Attributes
    ----------
    coil_off, breakdown : ndarray
        Start and end of the rise, as read: the recorder's delay is still in them.
    peak : ndarray of int64
        Column of the tallest sample of the rise.
    peak_level, early_level, dwell_level : ndarray
        Levels of that sample, of the burn line just behind, and before the rise.
    spike : ndarray of bool
        Whether a collapse marks the breakdown.
    """

    coil_off: NDArray[np.float64]
    breakdown: NDArray[np.float64]
    peak: NDArray[np.int64]
    peak_level: NDArray[np.float64]
    early_level: NDArray[np.float64]
    dwell_level: NDArray[np.float64]
    spike: NDArray[np.bool_]


def find_breakdown(rows: NDArray, zero: int, interval_s: float, noise: float) -> Breakdowns:
    """Find the rise out of the dwell and its end.

    Parameters
    ----------
    rows : ndarray, shape (n, m)
        Signed so that firing lines point up, about the settled level; NaN off the record.
    zero : int
        Column of the detector's onset.
    interval_s : float
    noise : float
        Standard deviation of one sample.

    Returns
    -------
    Breakdowns
    """
    n, m = rows.shape
    index = np.arange(n)
    column = np.arange(m)[None, :]
    low = max(0, zero - round(BEFORE_S / interval_s))
    high = min(m, zero + round(AFTER_S / interval_s) + 1)
    part = np.where(np.isfinite(rows), rows, -np.inf)
    swing = _swing(part, max(1, round(40e-6 / interval_s)))
    swing[:, :low] = -np.inf
    swing[:, high:] = -np.inf
    # Where the record rises most within 40 us, and stays up: the switching-off.
    steep, steepest = _risen_for_good(part, swing, interval_s)
    reach = max(2, round(RISE_S / interval_s))
    near = (column >= steep[:, None] - 1) & (column <= steep[:, None] + reach)
    early_first = steep + max(2, round(20e-6 / interval_s))
    early_last = steep + max(4, round(120e-6 / interval_s))
    within = (column >= early_first[:, None]) & (column <= early_last[:, None])
    early = _median(rows, within)
    # Behind a limit the dwell is what lies between the two rises.
    limited = steepest < steep
    gap = np.where(limited, max(2, round(20e-6 / interval_s)), max(2, round(50e-6 / interval_s)))
    begin = steep - max(6, round(250e-6 / interval_s))
    begin = np.where(limited, np.maximum(begin, steepest + max(1, round(20e-6 / interval_s))), begin)
    dwell_mask = (column < (steep - gap)[:, None]) & (column > begin[:, None])
    dwell = _median(rows, dwell_mask)
    dwell = np.where(np.isfinite(dwell), dwell, np.nan_to_num(rows[index, np.maximum(steep - 2, 0)]))
    peak = np.where(near, part, -np.inf).argmax(axis=1)
    peak_level = rows[index, peak]
    early = np.where(np.isfinite(early), early, peak_level)
    spike = (peak_level > SPIKE_RATIO * np.maximum(early, 0)) & (peak_level - early > 5 * noise)

    # With a spike: the collapse, halfway down; without: the knee where the rise meets the burn line.
    half = 0.5 * (peak_level + early)
    fall = _crossing(part, peak, half, falling=True, reach=max(3, round(60e-6 / interval_s)))
    knee = _crossing_back(part, steep, dwell + 0.9 * (early - dwell))
    breakdown = np.where(spike, fall, knee)
    breakdown = np.where(np.isfinite(breakdown), breakdown, peak.astype(float))
    # The start: the line through 20 % and 60 % of the rise, down to the dwell level.
    top = np.where(spike, peak_level, early)
    first = _crossing_back(part, steep, dwell + 0.2 * (top - dwell))
    middle = _crossing_back(part, steep, dwell + 0.6 * (top - dwell))
    coil_off = np.where(middle - first > 0.05, first - 0.5 * (middle - first), first)
    coil_off = np.where(np.isfinite(coil_off), coil_off, steep - 1.0)
    coil_off = np.minimum(coil_off, breakdown)
    return Breakdowns(coil_off, breakdown, peak, peak_level, early, dwell, spike)


def _swing(part: NDArray, width: int) -> NDArray[np.float64]:
    """Rise over ``width`` columns, at the column where it arrives."""
    result = np.full(part.shape, -np.inf)
    with np.errstate(invalid="ignore"):
        result[:, width:] = part[:, width:] - part[:, :-width]
    return np.where(np.isfinite(result), result, -np.inf)


def _risen_for_good(part: NDArray, swing: NDArray, interval_s: float) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Column of the rise behind which the record stands clearly higher, and of the steepest: most often the same."""
    n, m = part.shape
    index, column = np.arange(n), np.arange(m)
    first, last = (max(1, round(value / interval_s)) for value in _BEHIND_S)
    begin, end = np.minimum(column + first, m), np.minimum(column + max(last, first + 1), m)
    sums = np.zeros((n, m + 1))
    np.cumsum(np.where(np.isfinite(part), part, 0.0), axis=1, out=sums[:, 1:])
    behind = (sums[:, end] - sums[:, begin]) / np.maximum(end - begin, 1)
    likely = (swing + _BEHIND_WEIGHT * behind).argmax(axis=1)
    reach = max(1, round(40e-6 / interval_s))
    likely = np.where(np.abs(column - likely[:, None]) <= reach, swing, -np.inf).argmax(axis=1)
    steepest = swing.argmax(axis=1)
    other = np.abs(likely - steepest) > _APART_S / interval_s
    other &= swing[index, likely] >= _BEHIND_SHARE * swing[index, steepest]
    return np.where(other, likely, steepest), steepest


def _median(rows: NDArray, where: NDArray) -> NDArray[np.float64]:
    """Row medians over marked columns, NaN where there is none."""
    return row_median(np.where(where & np.isfinite(rows), rows, np.nan))


def _crossing(part: NDArray, start: NDArray, level: NDArray, falling: bool, reach: int) -> NDArray[np.float64]:
    """First crossing of a level after ``start``, linearly between samples; NaN without one."""
    n, m = part.shape
    index = np.arange(n)
    where = np.clip(start[:, None] + np.arange(reach + 1), 0, m - 1)
    seen = part[index[:, None], where]
    past = seen <= level[:, None] if falling else seen >= level[:, None]
    past[:, 0] = False
    k = past.argmax(axis=1)
    found = past.any(axis=1) & (k > 0)
    before = seen[index, np.maximum(k - 1, 0)]
    behind = seen[index, k]
    with np.errstate(invalid="ignore", divide="ignore"):
        share = (level - before) / (behind - before)
    share = np.where(np.isfinite(share), np.clip(share, 0.0, 1.0), 0.5)
    return np.where(found, start + k - 1 + share, np.nan)


def _crossing_back(part: NDArray, start: NDArray, level: NDArray) -> NDArray[np.float64]:
    """Last upward crossing of a level at or before the top of the rise, linearly between samples."""
    n, m = part.shape
    index = np.arange(n)
    reach = min(m - 1, 400)
    where = np.clip(start[:, None] - np.arange(reach + 1), 0, m - 1)
    seen = part[index[:, None], where]
    below = seen < level[:, None]
    k = below.argmax(axis=1)
    found = below.any(axis=1)
    low = seen[index, k]
    high = part[index, np.clip(start - k + 1, 0, m - 1)]
    with np.errstate(invalid="ignore", divide="ignore"):
        share = (level - low) / (high - low)
    share = np.where(np.isfinite(share), np.clip(share, 0.0, 1.0), 0.5)
    return np.where(found, start - k + share, np.nan)
