"""From judged swings to the firings of one channel: one polarity a lead, one firing a discharge."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

#: Firings of one channel are at least this far apart, seconds (our choice: a shared coil fires every 9 ms
#: at 6500/min; repeat strikes within it belong to the firing they follow).
APART_S = 6.0e-3
#: Log-odds from which a swing counts (our choice: on 600 engines -2 to -1 are the same).
LEAST_LOG_ODDS = -1.5
#: A polarity holds for the whole lead; it is weighed by the log-odds of its firings, capped at this.
CAP = 6.0


def choose_firings(
    position_s: NDArray, direction: NDArray, log_odds: NDArray
) -> tuple[NDArray[np.int64], int]:
    """Choose the firings of a channel.

    Parameters
    ----------
    position_s : ndarray, shape (n,)
        Times of the swings, seconds, ascending.
    direction : ndarray of int, shape (n,)
    log_odds : ndarray, shape (n,)

    Returns
    -------
    rows : ndarray of int64
        Rows of the swings chosen, ascending in time.
    polarity : int
        -1 or +1; 0 when nothing was chosen.

    Examples
    --------
    >>> rows, sign = choose_firings(np.array([0.0, 0.001, 0.02]), np.array([-1, 1, -1]), np.array([5.0, 1, 4]))
    >>> rows.tolist(), sign
    ([0, 2], -1)
    """
    chosen = {sign: likeliest_apart(position_s, direction, log_odds, sign) for sign in (-1, 1)}
    weight = {sign: float(np.minimum(log_odds[rows], CAP).sum()) for sign, rows in chosen.items()}
    polarity = 1 if weight[1] > weight[-1] else -1
    rows = chosen[polarity]
    return (rows, polarity) if rows.size else (rows, 0)


def likeliest_apart(position_s: NDArray, direction: NDArray, log_odds: NDArray, sign: int) -> NDArray[np.int64]:
    """Keep the likeliest of swings closer than `APART_S`, likeliest first."""
    rows = np.flatnonzero((direction == sign) & (log_odds > LEAST_LOG_ODDS))
    times = position_s[rows]
    first, behind = np.searchsorted(times, times - APART_S), np.searchsorted(times, times + APART_S)
    crowded = behind - first > 1
    kept = np.flatnonzero(~crowded).tolist()
    order = np.flatnonzero(crowded)
    order = order[np.argsort(-log_odds[rows[order]], kind="stable")]
    taken = bytearray(rows.size)
    for place, begin, end in zip(order.tolist(), first[order].tolist(), behind[order].tolist(), strict=True):
        if not taken[place]:
            kept.append(place)
            taken[begin:end] = b"\1" * (end - begin)
    return np.sort(rows[np.asarray(kept, dtype=np.int64)])
