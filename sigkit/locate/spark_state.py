"""Did the gap conduct? Told from the burn line, the collapse and the swing behind it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sigkit.locate.find_breakdown import Breakdowns
from sigkit.locate.find_burn_end import BurnEnds
from sigkit.locate.rough_windows import RoughWindows

#: Conduction shorter than this is a flash (our choice, fixed in the design), seconds.
FLASH_S = 0.05e-3
#: A burn line longer than this cannot be half a swing of an unloaded coil, seconds (our choice: a quarter
#: period at 2.5 kHz).
SURE_S = 0.15e-3
#: An unloaded coil swings back at least this far below zero, as a share of its peak (our choice: damping
#: ratio up to 0.2 over half a period leaves exp(-0.2 pi) = 0.53).
SWING_BACK = 0.42


def judge_spark(
    rough: RoughWindows, found: Breakdowns, ends: BurnEnds, breakdown: NDArray, sample_rate_Hz: float,
    noise: float,
) -> NDArray[np.str_]:  # fmt: skip
    """Return ``"yes"``, ``"flash"``, ``"no"`` or ``"unknown"`` for each firing.

    Parameters
    ----------
    rough : RoughWindows
    found : Breakdowns
    ends : BurnEnds
    breakdown : ndarray, shape (n,)
        Columns of the rough rows.
    sample_rate_Hz : float
    noise : float
        Of one rough column.
    """
    rows = rough.rows
    column = np.arange(rows.shape[1])[None, :]
    burn_s = (ends.position - breakdown) * rough.interval_s
    state = np.where(burn_s >= FLASH_S, "yes", "flash").astype(object)
    # Behind the first zero crossing: how deep does the first swing go, against the peak?
    left = np.where(ends.left >= 0, ends.left, 0)
    near = (column >= left[:, None]) & (column <= left[:, None] + max(3, round(0.3e-3 / rough.interval_s)))
    deep = -np.where(near & np.isfinite(rows), rows, np.inf).min(axis=1)
    since_s = (left - breakdown) * rough.interval_s
    unloaded = (ends.left >= 0) & (since_s < SURE_S) & (deep > SWING_BACK * found.peak_level)
    state[unloaded] = "no"
    state[~np.isfinite(ends.position) & ~unloaded & (ends.left >= 0)] = "unknown"
    # Burning up to the end of the record is a spark, cut.
    length = (np.isfinite(rows) & (column > breakdown[:, None])).sum(axis=1) * rough.interval_s
    state[(ends.left < 0) & (length > SURE_S) & (found.early_level > 5 * noise)] = "yes"
    state[(ends.left < 0) & (length <= SURE_S)] = "unknown"
    state[(ends.left < 0) & ~(found.early_level > 3 * noise)] = "unknown"
    return state
