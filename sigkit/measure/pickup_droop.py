"""The droop of a lead's pickup, estimated from its own firings."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sigkit.measure.median import row_median, row_spread

#: Time constants that can be told, seconds (pickups droop with 0.05 to 100 ms; a wider bracket).
SHORTEST_S, LONGEST_S = 20e-6, 0.5
#: A pickup that differentiates is looked for in the burn below this time constant, seconds (our choice).
DIFFERENTIATING_S = 0.6e-3
SEGMENTS = 6


def estimate_droop_rate(
    value: NDArray, integral: NDArray, after: NDArray, burning: NDArray, interval_s: float, noise_u: float
) -> tuple[float, float]:
    """Estimate g = 1 / time constant of a first-order high-pass.

    Behind it a voltage v is recorded as y with v = y + g x (integral of y from the settled start on). Two
    stretches tell g: after the ring v is zero, so y = -g x integral (least squares through the origin on
    medians of six segments; weighted median over firings); and where that tail has already died out, which
    needs a time constant well below a millisecond, the burn itself decays, v being taken as a straight line.

    Parameters
    ----------
    value : ndarray, shape (n, m)
        Samples less the settled level before coil_on.
    integral : ndarray, shape (n, m)
        Their running integral over time, seconds x unit.
    after, burning : ndarray of bool, shape (n, m)
        Where the ring is over; where the gap conducts.
    interval_s : float
    noise_u : float
        Standard deviation of one sample, correlation included.

    Returns
    -------
    rate, rate_u : float
        1/s; the rate is 0 where no droop shows, and its uncertainty what could hide.

    Examples
    --------
    >>> t = np.arange(8000) * 1e-6
    >>> v = np.where((t > 1e-3) & (t < 2e-3), 1.0, 0.0)
    >>> low = np.zeros_like(v)
    >>> for k in range(1, len(v)):
    ...     low[k] = low[k - 1] + (v[k] - low[k - 1]) * 1e-6 / 5e-3
    >>> y = (v - low)[None, :]
    >>> rate, _ = estimate_droop_rate(y, np.cumsum(y, axis=1) * 1e-6, (t > 4e-3)[None, :], (v > 0)[None, :], 1e-6, 1e-4)
    >>> round(1e3 / rate, 2)
    5.0
    """
    levels, areas, counts = _segments(value, integral, after)
    weight = np.nansum(areas**2 * counts, axis=1)
    used = weight > 0
    if not used.any():
        return 0.0, 0.0
    each = -np.nansum(levels * areas * counts, axis=1)[used] / weight[used]
    weight = weight[used]
    rate = _weighted_median(each, weight)
    noise_part = noise_u * np.sqrt(0.5 * np.pi / weight.sum())
    spread = 1.4826 * _weighted_median(np.abs(each - rate), weight) if len(each) > 2 else 0.0
    rate_u = float(np.hypot(noise_part, 1.2533 * spread / np.sqrt(len(each))))
    tail = float(np.nanmedian(np.abs(levels)))
    tail_u = noise_u / np.sqrt(max(float(np.median(counts[counts > 0])), 1.0))
    if rate > 3.0 * rate_u and rate > 1.0 / LONGEST_S and tail > 2.0 * tail_u:
        return min(rate, 1.0 / SHORTEST_S), rate_u
    fast, fast_u = _from_burn(value, integral, burning)
    if fast > 1.0 / DIFFERENTIATING_S and fast > 5.0 * fast_u:
        return min(fast, 1.0 / SHORTEST_S), fast_u
    return 0.0, float(max(rate, 0.0) * 0.5 + rate_u)


def _segments(value: NDArray, integral: NDArray, where: NDArray) -> tuple[NDArray, NDArray, NDArray]:
    """Return medians of value and integral, and sample counts, of six segments of each row."""
    n = len(value)
    order = np.cumsum(where, axis=1)
    total = np.maximum(order[:, -1:], 1)
    segment = np.where(where & np.isfinite(value), (order - 1) * SEGMENTS // total, -1)
    levels, areas = np.full((n, SEGMENTS), np.nan), np.full((n, SEGMENTS), np.nan)
    counts = np.zeros((n, SEGMENTS))
    for k in range(SEGMENTS):  # a loop over segments, not over samples
        inside = segment == k
        columns = np.flatnonzero(inside.any(axis=0))
        if columns.size:
            part = slice(columns[0], columns[-1] + 1)
            levels[:, k] = row_median(np.where(inside[:, part], value[:, part], np.nan))
            areas[:, k] = row_median(np.where(inside[:, part], integral[:, part], np.nan))
            counts[:, k] = inside.sum(axis=1)
    return levels, areas, counts


def _from_burn(value: NDArray, integral: NDArray, burning: NDArray) -> tuple[float, float]:
    """Return the rate that makes the burn lines straightest, and its standard uncertainty."""
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
    if np.median(explained) < 0.5:
        return 0.0, np.inf
    u = float(row_spread(each[None, :])[0]) if len(each) > 2 else 0.1 * abs(rate)
    return rate, 1.2533 * u / np.sqrt(len(each)) if len(each) > 2 else u


def _weighted_median(values: NDArray, weight: NDArray) -> float:
    order = np.argsort(values)
    share = np.cumsum(weight[order])
    return float(values[order][np.searchsorted(share, 0.5 * share[-1])])
