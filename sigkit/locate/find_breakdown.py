"""Where the firing line rises and where the gap breaks down, at the full sample rate."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sigkit.prepare.median import row_median

#: The first rise ends within this time after its start, seconds (our choice: a ring-up quarter period).
RISE_S = 0.12e-3
#: A firing line stands out when it is this much taller than the burn line behind it (our choice).
SPIKE_RATIO = 1.25


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


def find_breakdown(
    rows: NDArray, steep: NDArray, steepest: NDArray, interval_s: float, noise: float
) -> Breakdowns:
    """Find the rise out of the dwell and its end.

    Parameters
    ----------
    rows : ndarray, shape (n, m)
        Signed so that firing lines point up, about the settled level; NaN off the record.
    steep : ndarray of int64, shape (n,)
        Column where the firing's rise arrives (`sigkit.locate.rise_choice`).
    steepest : ndarray of int64, shape (n,)
        Column of the steepest rise, most often the same.
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
    part = np.where(np.isfinite(rows), rows, -np.inf)
    reach = max(2, round(RISE_S / interval_s))
    near = (column >= steep[:, None] - 1) & (column <= steep[:, None] + reach)
    early_first = steep + max(2, round(20e-6 / interval_s))
    early_last = steep + max(4, round(120e-6 / interval_s))
    within = (column >= early_first[:, None]) & (column <= early_last[:, None])
    early = _median(rows, within)
    # Behind a steeper rise, of a coil that runs into its current limit, the dwell is what lies between the two.
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
