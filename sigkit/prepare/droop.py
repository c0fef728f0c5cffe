"""The pickup's droop: estimate the high-pass of a capacitive pickup from settled waveforms, and undo it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sigkit.prepare.row_parts import row_parts


def running_integral(rows: NDArray, interval_s: float) -> NDArray[np.float64]:
    """Integrate rows over time by the trapezoidal rule, starting at 0; NaN counts as 0."""
    total = np.empty(rows.shape)
    for some in row_parts(*rows.shape):
        filled, part = rows[some].copy(), total[some]
        filled[np.isnan(filled)] = 0.0
        np.cumsum(filled, axis=-1, out=part)
        filled *= 0.5
        part -= filled
        part -= filled[..., :1].copy()
        part *= interval_s
    return total


def undo_droop(rows: NDArray, droop_rate: NDArray | float, interval_s: float) -> NDArray[np.float64]:
    """Undo a first-order high-pass: v = y + g * integral of y.

    Parameters
    ----------
    rows : ndarray, shape (n, m)
        Baseline-free samples that start settled.
    droop_rate : float or ndarray, shape (n,)
        g = 1 / time constant, 1/s; 0 leaves the rows alone.
    interval_s : float
        Sample interval, seconds.

    Returns
    -------
    ndarray, shape (n, m)

    Examples
    --------
    >>> import numpy as np
    >>> y = np.exp(-np.arange(5) * 1e-3 / 10e-3)[None]  # a unit step behind a 10 ms high-pass
    >>> np.round(undo_droop(y, 100.0, 1e-3), 3).tolist()
    [[1.0, 1.0, 1.0, 1.0, 1.0]]
    """
    rate = np.asarray(droop_rate, dtype=float)
    return rows + (rate[..., None] if rate.ndim else rate) * running_integral(rows, interval_s)


def estimate_droop(
    rows: NDArray, settled: NDArray, interval_s: float, integral: NDArray | None = None
) -> tuple[float, float]:
    """Estimate the droop rate that lets settled stretches return to zero.

    The true voltage is zero before the coil is switched on and after the ring. Behind a high-pass with
    rate g the record there obeys y(t) - y(0) = -g * (integral of y) + c * t, where c stands for an offset.
    A robust pooled least-squares fit over the settled samples of all rows gives g.

    Parameters
    ----------
    rows : ndarray, shape (n, m)
        Baseline-free samples of the firings of one lead.
    settled : ndarray of bool, shape (n, m)
        Samples at which the true voltage is taken to be zero.
    interval_s : float
        Sample interval, seconds.
    integral : ndarray, shape (n, m), optional
        `running_integral` of the rows, where it is at hand.

    Returns
    -------
    rate, u : float
        Droop rate and its standard uncertainty, 1/s; the rate is not negative.
    """
    area = running_integral(rows, interval_s) if integral is None else integral
    where = settled & np.isfinite(rows)
    where[where.sum(axis=1) < 8] = False
    row, column = np.nonzero(where)
    if row.size == 0:
        return 0.0, np.inf
    first = np.flatnonzero(np.diff(row, prepend=-1))
    count = np.diff(np.append(first, row.size))

    def sums(values: NDArray) -> NDArray:
        return np.add.reduceat(values, first)

    def centred(values: NDArray) -> NDArray:
        return values - np.repeat(sums(values) / count, count)

    # Least squares row by row: constant and straight line are taken out of record and integral (Frisch and Waugh,
    # Econometrica 1 (1933) 387, from memory), which leaves one unknown.
    t, y, held = centred(column.astype(float)), centred(rows[where]), centred(area[where])
    whole = sums(held**2)
    length = sums(t**2)
    y = y - np.repeat(sums(t * y) / length, count) * t
    held = held - np.repeat(sums(t * held) / length, count) * t
    power = sums(held**2)
    # What rounding leaves of an integral that is itself a straight line tells nothing.
    tells = power > 1e-24 * np.maximum(whole, 1e-300)
    values = -sums(y * held)[tells] / power[tells]
    if not values.size:
        return 0.0, np.inf
    middle = float(np.median(values))
    if values.size < 3:
        return max(middle, 0.0), np.inf
    # Standard uncertainty of a median of normal values: sqrt(pi / 2) sigma / sqrt(n).
    spread = 1.4826 * float(np.median(np.abs(values - middle)))
    return max(middle, 0.0), spread * float(np.sqrt(np.pi / 2 / values.size))
