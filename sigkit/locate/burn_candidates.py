"""Where the burn may end: a grid of columns behind the breakdown."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sigkit.locate.first_look import FirstLook

#: Step and reach of the grid, seconds (our choice: finer than any ring; longer than any burn of a coil).
STEP_S = 16e-6
REACH_S = 4.2e-3
#: First candidate behind the breakdown, seconds (our choice: a flash is shorter than 50 us).
FIRST_S = 16e-6


def candidate_offsets(interval_s: float) -> NDArray[np.float64]:
    """Return how far the candidates stand behind the first whole column at or behind the breakdown, columns."""
    step = max(1.0, np.ceil(STEP_S / interval_s))
    return np.arange(max(1.0, FIRST_S / interval_s), REACH_S / interval_s, step)


def candidate_grid(look: FirstLook) -> NDArray[np.float64]:
    """Return candidate columns of each firing, shape (n, k); NaN off the record."""
    candidates = np.ceil(look.breakdown)[:, None] + candidate_offsets(look.rough.interval_s)
    m = look.rough.rows.shape[1]
    inside = (candidates >= 0) & (candidates < m - 1)
    at = np.where(inside, np.nan_to_num(candidates), 0).astype(np.int64)
    seen = np.isfinite(np.take_along_axis(look.rough.rows, at, axis=1))
    return np.where(inside & seen, candidates, np.nan)
