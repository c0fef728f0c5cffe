"""Where the burn ends: first out of the burn line for good, then the kink in front of that."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sigkit.locate.two_piece_fit import PARAMETERS, fit_kinks

#: The voltage has left the burn line when it falls below this share of it (our choice).
LEFT_SHARE = 0.15
#: How far in front of that the kink is sought: half a period of the ring as it shows behind, within these
#: limits, seconds (our choice: rings of 1.7 to 20 kHz; common practice, no source).
SEARCH_S = (35e-6, 300e-6)
#: Burn line fitted in front of the search, seconds (our choice), and both in columns at least.
LINE_S = 0.15e-3
SEARCH_COLUMNS = 3
LINE_COLUMNS = 6
#: Time after breakdown in which the collapse still rings or lags, seconds (our choice).
SETTLE_S = 18e-6
#: Frequencies tried, against the one that shows (our choice: a swing seen from a low level is uncertain).
FREQUENCIES = (0.8, 1.0, 1.25)


@dataclass(frozen=True, eq=False)
class BurnEnds:
    """Ends of n burns, float columns. Arrays have shape (n,).

    Attributes
    ----------
    left : ndarray of int64
        Column where the burn line has been left; -1 where the row ends before.
    position, u, lo, hi : ndarray
        Kink, standard uncertainty and 95 % interval; NaN where there is none.
    rise : ndarray
        Change of slope at the kink, units per column; positive when a rise follows.
    """

    left: NDArray[np.int64]
    position: NDArray[np.float64]
    u: NDArray[np.float64]
    lo: NDArray[np.float64]
    hi: NDArray[np.float64]
    rise: NDArray[np.float64]


def find_burn_end(
    rows: NDArray, breakdown: NDArray, level: NDArray, interval_s: float, noise: float
) -> BurnEnds:
    """Find the end of each burn.

    Parameters
    ----------
    rows : ndarray, shape (n, m)
        Signed, about the settled level, without droop; NaN off the record.
    breakdown : ndarray, shape (n,)
        Float columns; NaN rows are left out.
    level : ndarray, shape (n,)
        Level of the early burn line.
    interval_s : float
    noise : float
        Standard deviation of one column.

    Returns
    -------
    BurnEnds
    """
    n, m = rows.shape
    nan = np.full(n, np.nan)
    answer = BurnEnds(np.full(n, -1, dtype=np.int64), nan.copy(), nan.copy(), nan.copy(), nan.copy(), nan.copy())
    usable = np.flatnonzero(np.isfinite(breakdown) & np.isfinite(level) & (level > 3 * noise))
    if usable.size == 0:
        return answer
    left = _left(rows[usable], breakdown[usable], level[usable], interval_s, noise)
    left = _near_the_end(rows[usable], left, breakdown[usable], level[usable], interval_s, noise)
    answer.left[usable] = left
    usable, left = usable[left >= 0], left[left >= 0]
    if usable.size == 0:
        return answer
    half = _half_period(rows[usable], left, interval_s)
    search = np.clip(half, max(SEARCH_S[0] / interval_s, SEARCH_COLUMNS), SEARCH_S[1] / interval_s + SEARCH_COLUMNS)
    usual = float(np.median(half))
    line = max(LINE_COLUMNS, round(LINE_S / interval_s))
    most = int(np.ceil(search.max()))
    behind = max(1, round(0.25 * usual))
    where = left[:, None] + np.arange(-most - line, behind + 1)
    part = np.where(
        (where >= 0) & (where < m), np.take_along_axis(rows[usable], np.clip(where, 0, m - 1), axis=1), np.nan
    )
    start = breakdown[usable] + max(1.6, SETTLE_S / interval_s)
    weight = ((where >= start[:, None]) & np.isfinite(part)).astype(float)
    step = 0.25 if interval_s > 4e-6 else (0.5 if interval_s > 2.5e-6 else 1.0)
    candidates = np.arange(line, line + most + 1e-9, step)
    allowed = (candidates[None, :] >= line + most - search[:, None]) & (
        candidates[None, :] > (start - (left - most - line))[:, None] + 1.0
    )
    chunk = max(1, int(3e7 // (candidates.size * PARAMETERS**2 * 8)))
    for begin in range(0, usable.size, chunk):
        pick = slice(begin, begin + chunk)
        answers = [
            fit_kinks(part[pick], weight[pick], candidates, float(line), np.pi / (usual / 1.2) * f)
            for f in FREQUENCIES
        ]
        cost = np.stack([np.where(allowed[pick], one[0], np.inf) for one in answers])
        which = cost.min(axis=2).argmin(axis=0)
        index = np.arange(which.size)
        jump = np.stack([one[1] for one in answers])[which, index]
        origin = left[pick] - most - line
        _best(answer, usable[pick], origin, candidates, cost[which, index], jump, weight[pick], noise)
    return answer


def _near_the_end(
    rows: NDArray, left: NDArray, breakdown: NDArray, level: NDArray, interval_s: float, noise: float
) -> NDArray[np.int64]:
    """Where the record stops soon behind the burn: its last column, when that is off the burn line in front."""
    result = left.copy()
    for row in np.flatnonzero(left < 0):
        known = np.flatnonzero(np.isfinite(rows[row]))
        if known.size < 12:
            continue
        last = int(known[-1])
        wide = max(4, round(60e-6 / interval_s))
        early = rows[row, max(0, last - 6 * wide) : last - 2 * wide]
        if early.size < 4 or last - 6 * wide < breakdown[row]:
            continue
        line = np.polyfit(np.arange(early.size), early, 1)
        away = np.abs(rows[row, last - 2 : last + 1].mean() - np.polyval(line, early.size + 2 * wide - 1.0))
        if away > max(6 * noise, 0.25 * level[row]):
            result[row] = last
    return result


def _half_period(rows: NDArray, left: NDArray, interval_s: float) -> NDArray[np.float64]:
    """Half a period of the ring, columns: from leaving the burn line to the next rise through zero."""
    column = np.arange(rows.shape[1])[None, :]
    back = (rows > 0) & (column > left[:, None] + max(1, round(15e-6 / interval_s)))
    found = back.any(axis=1)
    half = np.where(found, back.argmax(axis=1) - left, np.nan).astype(float)
    plausible = (half * interval_s > 15e-6) & (half * interval_s < 0.4e-3)
    usual = np.median(half[plausible]) if plausible.any() else 100e-6 / interval_s
    # The record leaves the burn line a little above zero: allow a fifth more.
    return 1.2 * np.where(plausible, np.clip(half, 0.6 * usual, 1.6 * usual), usual)


def _left(
    rows: NDArray, breakdown: NDArray, level: NDArray, interval_s: float, noise: float
) -> NDArray[np.int64]:
    """First column after which the row stays off the burn line for a while; -1 without one."""
    column = np.arange(rows.shape[1])[None, :]
    hold = max(1, round(8e-6 / interval_s))
    limit = np.maximum(LEFT_SHARE * level, np.minimum(2.0 * noise, 0.5 * level))
    low = (rows < limit[:, None]) & (column > breakdown[:, None] + max(1.0, 15e-6 / interval_s))
    if hold > 1:
        counts = np.cumsum(low, axis=1)
        held = np.array(counts)
        held[:, hold:] = counts[:, hold:] - counts[:, :-hold]
        low = held >= hold
    found = low.any(axis=1)
    return np.where(found, low.argmax(axis=1), -1)


def _best(
    answer: BurnEnds, rows: NDArray, origin: NDArray, candidates: NDArray, cost: NDArray, jump: NDArray,
    weight: NDArray, noise: float,
) -> None:  # fmt: skip
    """Write the best candidate of each row, refined by a parabola, with its uncertainty."""
    index = np.arange(rows.size)
    best = cost.argmin(axis=1)
    inner = np.clip(best, 1, candidates.size - 2)
    below, middle, above = cost[index, inner - 1], cost[index, inner], cost[index, inner + 1]
    step = candidates[1] - candidates[0]
    with np.errstate(invalid="ignore", divide="ignore"):
        bend = below - 2 * middle + above
        shift = 0.5 * (below - above) / bend
    fine = np.isfinite(shift) & (bend > 0) & (inner == best)
    shift = np.where(fine, np.clip(shift, -1.0, 1.0), 0.0)
    dof = np.maximum(weight.sum(axis=1) - PARAMETERS - 1.0, 1.0)
    variance = np.maximum(noise**2, cost[index, best] / dof)
    # Chi-square profile: candidates whose cost is within 3.84 variances form the 95 % interval.
    inside = cost <= (cost[index, best] + 3.84 * variance)[:, None]
    low = candidates[inside.argmax(axis=1)] - 0.5 * step
    high = candidates[candidates.size - 1 - inside[:, ::-1].argmax(axis=1)] + 0.5 * step
    position = candidates[best] + shift * step
    known = np.isfinite(cost[index, best])
    position = np.where(known, position, np.nan)
    answer.position[rows] = origin + position
    answer.u[rows] = np.where(known, np.maximum((high - low) / 3.92, 0.1), np.nan)
    answer.lo[rows] = origin + np.minimum(low, position)
    answer.hi[rows] = origin + np.maximum(high, position)
    answer.rise[rows] = jump[index, best]
