"""The droop of a pickup so quick that it differentiates: its tail is over before the ring is."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sigkit.prepare.median import row_spread

#: Time constants looked for here, seconds (our choice; slower ones show in the tail after the ring).
SHORTEST_S, LONGEST_S = 20e-6, 0.35e-3
#: What the burn lines' own bend passes for, 1/s, and its standard uncertainty: 450 to 850 too much was seen on
#: 400 simulated firings behind time constants of 0.1 to 1 ms (our figure). It is corrected for
#: (JCGM 100:2008, 3.2.3).
BURN_BEND_HZ, BURN_BEND_U_HZ = 600.0, 300.0


def estimate_fast_droop(value: NDArray, integral: NDArray, burning: NDArray) -> tuple[float, float]:
    """Estimate g = 1 / time constant from the decay of the burn itself, taking the true burn as a straight line.

    Behind a first-order high-pass a voltage v is recorded as y with v = y + g x integral of y: g is the
    regression of y on its integral over 2-80 % of the burn, a straight line taken out of both.

    Parameters
    ----------
    value, integral : ndarray, shape (n, m)
        Samples less the settled level before coil_on, and their running integral over time.
    burning : ndarray of bool, shape (n, m)
        Where the gap conducts.

    Returns
    -------
    rate, rate_u : float
        1/s; 0 and inf where the burn does not decay like that.

    Examples
    --------
    >>> t = np.arange(1000) * 1e-6
    >>> y = np.exp(-t / 0.2e-3)[None, :]  # a straight burn line: the correction for a usual bend is all the error
    >>> rate, _ = estimate_fast_droop(y, np.cumsum(y, axis=1) * 1e-6, np.ones_like(y, dtype=bool))
    >>> bool(abs(rate + BURN_BEND_HZ - 5000.0) < 30.0)
    True
    """
    # Burns are short beside the windows.
    columns = np.flatnonzero(burning.any(axis=0))
    if columns.size == 0:
        return 0.0, np.inf
    part = slice(columns[0], columns[-1] + 1)
    value, integral, burning = value[:, part], integral[:, part], burning[:, part]
    order = np.cumsum(burning, axis=1)
    total = order[:, -1:]
    inside = burning & (order > 0.02 * total) & (order < 0.8 * total) & np.isfinite(value) & (total > 20)
    x = np.where(inside, order / np.maximum(total, 1) - 0.5, 0.0)

    def bend(rows: NDArray) -> NDArray:
        """Take the least-squares line out of each row."""
        count = np.maximum(inside.sum(axis=1), 1)[:, None]
        x0 = np.where(inside, x - x.sum(axis=1)[:, None] / count, 0.0)
        y0 = np.where(inside, rows, 0.0)
        y0 = np.where(inside, y0 - y0.sum(axis=1)[:, None] / count, 0.0)
        slope = np.sum(x0 * y0, axis=1) / np.maximum(np.sum(x0**2, axis=1), 1e-300)
        return y0 - slope[:, None] * x0

    bent, bent_area = bend(value), bend(integral)
    power = np.sum(bent_area**2, axis=1)
    good = power > 0
    if not good.any():
        return 0.0, np.inf
    each = -np.sum(bent * bent_area, axis=1)[good] / power[good]
    left = np.sum((bent[good] + each[:, None] * bent_area[good]) ** 2, axis=1)
    explained = 1.0 - left / np.maximum(np.sum(bent[good] ** 2, axis=1), 1e-300)
    rate = float(np.median(each))
    # Standard uncertainty of a median of normal values: sqrt(pi / 2) sigma / sqrt(n).
    scatter = float(row_spread(each[None, :])[0]) * np.sqrt(0.5 * np.pi / len(each)) if len(each) > 2 else 0.1 * rate
    rate_u = float(np.hypot(scatter, BURN_BEND_U_HZ))
    rate -= BURN_BEND_HZ
    if np.median(explained) < 0.9 or rate < 1.0 / LONGEST_S or rate < 2.0 * rate_u:
        return 0.0, np.inf
    return min(rate, 1.0 / SHORTEST_S), rate_u
