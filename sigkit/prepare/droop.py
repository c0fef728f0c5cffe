"""The pickup's droop: estimate the high-pass of a capacitive pickup from settled waveforms, and undo it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray


def running_integral(rows: NDArray, interval_s: float) -> NDArray[np.float64]:
    """Integrate rows over time by the trapezoidal rule, starting at 0; NaN counts as 0."""
    filled = np.nan_to_num(rows)
    total = np.cumsum(filled, axis=-1)
    return (total - 0.5 * filled - 0.5 * filled[..., :1]) * interval_s


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


def estimate_droop(rows: NDArray, settled: NDArray, interval_s: float) -> tuple[float, float]:
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

    Returns
    -------
    rate, u : float
        Droop rate and its standard uncertainty, 1/s; the rate is not negative.
    """
    integral = running_integral(rows, interval_s)
    estimates = []
    for y, area, where in zip(rows, integral, settled & np.isfinite(rows), strict=True):
        if where.sum() < 8:
            continue
        t = np.flatnonzero(where) * interval_s
        design = np.column_stack([-area[where], t, np.ones(t.size)])
        scale = np.linalg.norm(design, axis=0)
        if not np.all(scale > 0):
            continue
        solution = np.linalg.lstsq(design / scale, y[where], rcond=None)[0] / scale
        estimates.append(solution[0])
    if not estimates:
        return 0.0, np.inf
    values = np.asarray(estimates)
    middle = float(np.median(values))
    if values.size < 3:
        return max(middle, 0.0), np.inf
    # Standard uncertainty of a median of normal values: sqrt(pi / 2) sigma / sqrt(n).
    spread = 1.4826 * float(np.median(np.abs(values - middle)))
    return max(middle, 0.0), spread * float(np.sqrt(np.pi / 2 / values.size))
