"""How far settled levels wander by drift, hum and ripple."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

#: Blocks whose means are compared for the wander of settled levels, and how far apart: about half a burn, and a
#: dwell with half a burn (our choice), seconds.
WANDER_BLOCK_S, WANDER_LAG_S = 0.5e-3, 3.5e-3
#: Fewest differences that tell anything, and fewest of which the median counts (our choice).
FEWEST, MANY = 4, 12


def settled_wander(stretches: Sequence[NDArray], interval_s: float) -> tuple[float, float]:
    """Return standard deviations of the difference of two settled levels, far and near.

    Parameters
    ----------
    stretches : sequence of ndarray, shape (n, m)
        Settled stretches of n firings; NaN pads.
    interval_s : float

    Returns
    -------
    wander, wander_per_ms : float
        Of two levels `WANDER_LAG_S` apart, as far as the stretches reach, and a millisecond apart; 0 where too few are
        known.

    Examples
    --------
    >>> rising = np.arange(6000.0)[None, :] * 1e-3  # 6 ms, one a millisecond
    >>> [round(value, 3) for value in settled_wander([rising], 1e-6)]
    [3.5, 1.0]
    """
    block = max(1, round(WANDER_BLOCK_S / interval_s))
    far: list[NDArray] = []
    near: list[NDArray] = []
    for stretch in stretches:
        whole = stretch.shape[1] // block
        if whole < 2:
            continue
        means = stretch[:, : whole * block].reshape(len(stretch), whole, block).mean(axis=2)
        near.append((means[:, 2:] - means[:, :-2]).ravel())
        lag = min(whole - 1, round(WANDER_LAG_S / WANDER_BLOCK_S))
        far.append((means[:, lag:] - means[:, :-lag]).ravel())
    return _spread(far), _spread(near)


def _spread(parts: list[NDArray]) -> float:
    known = np.concatenate(parts) if parts else np.zeros(0)
    known = known[np.isfinite(known)]
    if known.size < FEWEST:
        return 0.0
    return float(np.sqrt(np.mean(known**2))) if known.size < MANY else 1.4826 * float(np.median(np.abs(known)))
