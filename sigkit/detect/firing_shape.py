"""Does a candidate look like the switching-off of a coil? Judged on blocks, so the same at any rate."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sigkit.prepare.block_summary import BlockSummary

#: A discharge and its ring have died down for a quarter of this span, seconds (our choice: behind an
#: ordinary burn; at 6000/min the next dwell of a shared coil begins within it).
SETTLED_S = (4e-3, 14e-3)
#: Level left then, as a share of the firing's height, and in noise standard deviations (our choice).
SETTLED_SHARE = 0.2
SETTLED_SIGMA = 6.0
#: Activity that a coil leaves behind the first 0.1 ms, as a share of the height, or in standard
#: deviations of the noise (our choice): an impulse of interference leaves none.
ACTIVE_SHARE = 0.015
ACTIVE_SIGMA = 4.5
#: Least time of it, seconds (our choice: one half period of the fastest ring of a coil, several blocks).
ACTIVE_S = 0.15e-3
#: Level before the onset, as a share of the height (our choice: the dwell is low and of the other sign).
BEFORE_SHARE = 0.45


def looks_like_firing(
    blocks: BlockSummary,
    baseline: NDArray,
    sample_rate_Hz: float,
    noise: float,
    polarity: int,
    onset: NDArray[np.int64],
    height: NDArray[np.float64],
) -> NDArray[np.bool_]:
    """Judge candidates by what stands before and behind their onset.

    Parameters
    ----------
    blocks : BlockSummary
    baseline : ndarray of float, shape (m,)
    sample_rate_Hz : float
    noise : float
        Standard deviation of one sample, channel units.
    polarity : int
    onset : ndarray of int64, shape (k,)
        Block of each onset.
    height : ndarray of float64, shape (k,)

    Returns
    -------
    ndarray of bool, shape (k,)
    """
    rate = sample_rate_Hz / blocks.length
    m = blocks.mean.size

    def span(first_s: float, last_s: float) -> tuple[NDArray, NDArray]:
        steps = np.arange(round(first_s * rate), max(round(last_s * rate), round(first_s * rate) + 1))
        where = onset[:, None] + steps
        return np.clip(where, 0, m - 1), (where >= 0) & (where < m)

    up = polarity * (blocks.maximum if polarity > 0 else blocks.minimum)
    low = polarity * (blocks.minimum if polarity > 0 else blocks.maximum)
    reference = polarity * baseline

    # Before: nothing nearly as tall of the same sign for 1 ms.
    where, inside = span(-1.0e-3, -0.12e-3)
    before = np.where(inside, up[where] - reference[where], -np.inf).max(axis=1)
    quiet_before = before < BEFORE_SHARE * height

    # Behind: the coil stays active for a while.
    where, inside = span(0.12e-3, 4.0e-3)
    swing = np.maximum(up[where] - reference[where], reference[where] - low[where])
    limit = np.maximum(ACTIVE_SHARE * height, ACTIVE_SIGMA * noise)
    active = ((swing > limit[:, None]) & inside).sum(axis=1) / rate
    recorded = inside.sum(axis=1) / rate
    stays = (active >= ACTIVE_S) | (recorded < 2 * ACTIVE_S)

    # Later: it dies down.
    where, inside = span(*SETTLED_S)
    swing = np.maximum(up[where] - reference[where], reference[where] - low[where])
    left = _lower_quartile(swing, inside)
    settles = left <= np.maximum(SETTLED_SHARE * height, SETTLED_SIGMA * noise)
    return quiet_before & stays & settles


def _lower_quartile(swing: NDArray, inside: NDArray) -> NDArray:
    """Lower quartile of each row over what is on the record; 0 where nothing is."""
    result = np.zeros(swing.shape[0])
    rows = inside.any(axis=1)
    if rows.any():
        result[rows] = np.nanquantile(np.where(inside[rows], swing[rows], np.nan), 0.25, axis=1)
    return result
