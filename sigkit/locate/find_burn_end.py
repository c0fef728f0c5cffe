"""Where the burn ends: first out of the burn line for good, then the kink in front of that."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sigkit.locate.two_piece_fit import PARAMETERS, fit_kinks

#: The voltage has left the burn line when it falls below this share of it (our choice).
LEFT_SHARE = 0.15
#: How far to either side of the likeliest place the kink is sought, and how much burn line is fitted in front
#: of it, seconds (our choice), and all in columns at least.
SEARCH_S = 24e-6
LINE_S = 0.12e-3
SEARCH_COLUMNS = 2
LINE_COLUMNS = 6
BEHIND_COLUMNS = 3
#: Time after breakdown in which the collapse still rings or lags, seconds (our choice).
SETTLE_S = 18e-6
#: Frequencies tried, against the one that shows (our choice: a swing seen from a low level is uncertain).
FREQUENCIES = (0.8, 1.0, 1.25)


@dataclass(frozen=True, eq=False)
class BurnEnds:
    """Ends of n burns, float columns. Arrays have shape (n,).

    Attributes
    ----------
    position, u, lo, hi : ndarray
        Kink, standard uncertainty and 95 % interval; NaN where there is none.
    """

    position: NDArray[np.float64]
    u: NDArray[np.float64]
    lo: NDArray[np.float64]
    hi: NDArray[np.float64]


def find_burn_end(
    rows: NDArray, breakdown: NDArray, around: NDArray, level: NDArray, interval_s: float, noise: float
) -> BurnEnds:
    """Find the kink at the end of each burn.

    Parameters
    ----------
    rows : ndarray, shape (n, m)
        Signed, about the settled level, without droop; NaN off the record.
    breakdown : ndarray, shape (n,)
        Float columns; NaN rows are left out.
    around : ndarray, shape (n,)
        Columns near which the ends are sought; NaN rows are left out.
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
    answer = BurnEnds(nan.copy(), nan.copy(), nan.copy(), nan.copy())
    usable = np.flatnonzero(np.isfinite(breakdown) & np.isfinite(around))
    if usable.size == 0:
        return answer
    here = np.round(around[usable]).astype(np.int64)
    left = _left(rows[usable], around[usable], np.abs(level[usable]), interval_s, noise)
    half = _half_period(rows[usable], left, interval_s)
    usual = float(np.median(half))
    search = max(SEARCH_COLUMNS, int(np.ceil(SEARCH_S / interval_s)))
    line = max(LINE_COLUMNS, round(LINE_S / interval_s))
    behind = max(BEHIND_COLUMNS, round(0.7 * usual))
    where = here[:, None] + np.arange(-search - line, search + behind + 1)
    part = np.where(
        (where >= 0) & (where < m), np.take_along_axis(rows[usable], np.clip(where, 0, m - 1), axis=1), np.nan
    )
    start = breakdown[usable] + max(1.6, SETTLE_S / interval_s)
    weight = ((where >= start[:, None]) & np.isfinite(part)).astype(float)
    step = 0.25 if interval_s > 4e-6 else (0.5 if interval_s > 2.5e-6 else 1.0)
    candidates = np.arange(line, line + 2 * search + 1e-9, step)
    allowed = candidates[None, :] > (start - (here - search - line))[:, None] + 0.5
    chunk = max(1, int(3e7 // (candidates.size * PARAMETERS**2 * 8)))
    for begin in range(0, usable.size, chunk):
        pick = slice(begin, begin + chunk)
        answers = [
            fit_kinks(part[pick], weight[pick], candidates, float(line), np.pi / (usual / 1.2) * f)[0]
            for f in FREQUENCIES
        ]
        cost = np.stack([np.where(allowed[pick], one, np.inf) for one in answers])
        which = cost.min(axis=2).argmin(axis=0)
        origin = here[pick] - search - line
        _best(answer, usable[pick], origin, candidates, cost[which, np.arange(which.size)], weight[pick], noise)
    return answer


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
    rows: NDArray, around: NDArray, level: NDArray, interval_s: float, noise: float
) -> NDArray[np.int64]:
    """First column after which the row stays off the burn line for a while; -1 without one."""
    column = np.arange(rows.shape[1])[None, :]
    hold = max(1, round(8e-6 / interval_s))
    limit = np.maximum(LEFT_SHARE * level, np.minimum(2.0 * noise, 0.5 * level))
    low = (rows < limit[:, None]) & (column > around[:, None])
    if hold > 1:
        counts = np.cumsum(low, axis=1)
        held = np.array(counts)
        held[:, hold:] = counts[:, hold:] - counts[:, :-hold]
        low = held >= hold
    found = low.any(axis=1)
    return np.where(found, low.argmax(axis=1), -1)


def _best(
    answer: BurnEnds, rows: NDArray, origin: NDArray, candidates: NDArray, cost: NDArray, weight: NDArray,
    noise: float,
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
