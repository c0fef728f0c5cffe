"""Did the gap conduct? Told from the likeliest end of a burn, or from its lack."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sigkit.locate.end_network import LikelyEnds
from sigkit.locate.find_burn_end import BurnEnds
from sigkit.locate.first_look import FirstLook

#: Conduction shorter than this is a flash (our choice, fixed in the design), seconds.
FLASH_S = 0.05e-3
#: An end counts as seen from these log-odds on, or when log-odds and lead over the next candidate, weighed
#: so, reach the second limit (our choice, checked by the first table of the benchmarks).
SEEN_LOG_ODDS = -0.5
LEAD_WEIGHT = 1.5
SEEN_WITH_LEAD = 1.0
#: A record this long behind the breakdown shows the end of any burn, seconds (our choice).
LONG_S = 3.0e-3
#: A burn runs off the record when its last stretch still stands at this share of the early burn line, and
#: at least for this time (our choice).
STILL_SHARE = 0.5
STILL_S = 0.15e-3


def judge_spark(look: FirstLook, likely: LikelyEnds, ends: BurnEnds) -> tuple[NDArray[np.str_], NDArray[np.bool_]]:
    """Judge conduction.

    Parameters
    ----------
    look : FirstLook
    likely : LikelyEnds
    ends : BurnEnds

    Returns
    -------
    state : ndarray of str, shape (n,)
        ``"yes"``, ``"flash"``, ``"no"`` or ``"unknown"``.
    cut : ndarray of bool, shape (n,)
        Whether the burn runs off the record.
    """
    rows = look.rough.rows
    interval_s = look.rough.interval_s
    column = np.arange(rows.shape[1])[None, :]
    behind = np.isfinite(rows) & (column > look.breakdown[:, None])
    length_s = behind.sum(axis=1) * interval_s
    lead = np.where(np.isfinite(likely.rival_log_odds), likely.log_odds - likely.rival_log_odds, 0.0)
    clear = likely.log_odds + LEAD_WEIGHT * lead > SEEN_WITH_LEAD
    seen = np.isfinite(ends.position) & ((likely.log_odds > SEEN_LOG_ODDS) | clear)
    burn_s = (ends.position - look.breakdown) * interval_s
    last = np.where(behind.any(axis=1), rows.shape[1] - 1 - behind[:, ::-1].argmax(axis=1), 0)
    stretch = behind & (column > last[:, None] - max(3, round(40e-6 / interval_s)))
    tail = np.where(stretch, rows, 0.0).sum(axis=1) / np.maximum(stretch.sum(axis=1), 1)
    level = look.found.early_level
    still = (tail > STILL_SHARE * level) & (level > 3 * look.column_noise) & (length_s > STILL_S) & (length_s < LONG_S)
    cut = ~seen & still
    state = np.where(burn_s >= FLASH_S, "yes", "flash").astype(object)
    state[~seen] = "no"
    state[~seen & (length_s < LONG_S)] = "unknown"
    state[cut] = "yes"
    return state, cut
