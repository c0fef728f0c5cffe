"""The droop of a pickup from the settled stretches before the dwell and behind the ring."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sigkit.measure.take_columns import take_columns
from sigkit.prepare.droop import estimate_droop, running_integral
from sigkit.prepare.median import row_median

#: Rate to which windows are averaged down for a look at the tail, hertz (our choice).
TAIL_HZ = 50e3
#: Fewest means of a settled stretch, and the shortest time constant that is undone, seconds (our choices).
FEWEST, SHORTEST_S = 8, 20e-6


def tail_droop(
    rows: NDArray, before: tuple[NDArray, NDArray], behind: tuple[NDArray, NDArray], interval_s: float, noise: float
) -> tuple[float, float]:
    """Return droop rate and its standard uncertainty, 1/s; zeros where no droop shows.

    Parameters
    ----------
    rows : ndarray, shape (n, m)
        Windows less the settled level before the dwell.
    before, behind : tuple of ndarray, shape (n,)
        Columns between which they are settled before the dwell, and behind the ring.
    interval_s : float
    noise : float
        Standard deviation of a sample, its correlation included.

    Examples
    --------
    >>> t = np.arange(4000) * 5e-6
    >>> true = np.where((t > 5e-3) & (t < 9e-3), 1.0, 0.0) * np.array([[1.0], [0.8], [1.2]])
    >>> held = np.cumsum(true * np.exp(200.0 * t), axis=1) * 5e-6
    >>> seen = true - 200.0 * np.exp(-200.0 * t) * held
    >>> limits = (np.full(3, 100.0), np.full(3, 900.0)), (np.full(3, 2400.0), np.full(3, 4000.0))
    >>> round(tail_droop(seen, *limits, 5e-6, 1e-6)[0])
    200
    """
    # Level and integral change slowly: means over some samples tell as much.
    size = max(1, int(1.0 / (TAIL_HZ * interval_s)))
    whole = rows.shape[1] // size
    rows = rows[:, : whole * size].reshape(len(rows), whole, size).mean(axis=2) if size > 1 else rows
    first, last = before[0][:, None] / size, before[1][:, None] / size - (size > 1)
    begin, end = behind[0] / size, np.floor(behind[1] / size)
    column = np.arange(rows.shape[1])
    settled = (column < last) & (column >= first)
    late = (column >= begin[:, None]) & (column < end[:, None])
    enough = late.sum(axis=1) >= FEWEST
    if not enough.any():
        return 0.0, 0.0
    rows, late, begin, end = rows[enough], late[enough], begin[enough], end[enough]
    held = running_integral(rows, size * interval_s)
    rate, rate_u = estimate_droop(rows, settled[enough] | late, size * interval_s, held)
    # Fewer than three firings: chance cannot be told from droop.
    if not (rate > 0 and np.isfinite(rate_u) and rate > 3.0 * rate_u):
        return 0.0, 0.0
    value = take_columns(rows, begin, end)
    tail = float(np.nanmedian(np.abs(row_median(value))))
    mended = float(np.nanmedian(np.abs(row_median(value + rate * take_columns(held, begin, end)))))
    # Undo the droop only where it brings the settled level after the ring back to the one before.
    limit = 4.0 * noise / np.sqrt(max(FEWEST, int(np.median(size * late.sum(axis=1)))))
    if not (mended < 0.7 * tail and tail > limit):
        return 0.0, 0.0
    own_u = mended / max(float(np.nanmedian(np.abs(held[:, -1]))), 1e-300)
    return min(rate, 1.0 / SHORTEST_S), float(max(own_u, rate_u))
