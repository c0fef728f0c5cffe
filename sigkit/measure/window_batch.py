"""Windows of some firings of one channel, as the measurements read them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sigkit.measure.take_columns import take_columns
from sigkit.prepare.median import row_median


@dataclass(eq=False)
class WindowBatch:
    """Windows of some firings of one channel.

    Attributes
    ----------
    rows : ndarray of int, shape (k,)
        Row numbers of the firings.
    first : ndarray of int, shape (k,)
        Sample of the record in column 0.
    value : ndarray, shape (k, m)
        Samples relative to the baseline (relative to zero where there is none), droop undone; NaN pads.
    clipped : ndarray of bool, shape (k, m)
    on, off, breakdown, burn_end : ndarray, shape (k,)
        Instants in columns of the window; NaN where missing. ``off`` falls back on the detected position.
    baseline, baseline_u : ndarray, shape (k,)
        Level subtracted and its standard uncertainty, unit of the channel; NaN where missing.
    baseline_source : ndarray of str, shape (k,)
        ``"before"``, ``"after"`` or ``"none"``.
    drooping : ndarray, shape (k, m)
        The samples before their droop was undone.
    droop_from : tuple of ndarray, shape (k,)
        Columns between which the droop is taken to be nothing; NaN stands for the first column.
    droop_rate_u : float
        Standard uncertainty of the droop rate, 1/s.
    interval_s : float
        Time between columns, seconds.
    """

    rows: NDArray[np.int64]
    first: NDArray[np.int64]
    value: NDArray[np.float64]
    clipped: NDArray[np.bool_]
    on: NDArray[np.float64]
    off: NDArray[np.float64]
    breakdown: NDArray[np.float64]
    burn_end: NDArray[np.float64]
    baseline: NDArray[np.float64]
    baseline_u: NDArray[np.float64]
    baseline_source: NDArray[np.str_]
    drooping: NDArray[np.float64]
    droop_from: tuple[NDArray[np.float64], NDArray[np.float64]]
    droop_rate_u: float
    interval_s: float

    def droop_u(self, begin: NDArray, end: NDArray) -> NDArray[np.float64]:
        """Return the standard uncertainty of ``value`` from the droop rate, as `take_columns` would cut it out."""
        if not self.droop_rate_u:
            return 0.0 * take_columns(self.value, begin, end)
        held = integral_between(self.drooping, begin, end, self.interval_s)
        if np.isfinite(self.droop_from[0]).any():
            here = row_median(integral_between(self.drooping, *self.droop_from, self.interval_s))
            held -= np.nan_to_num(here)[:, None]
        return self.droop_rate_u * np.abs(held)


def integral_between(rows: NDArray, begin: NDArray, end: NDArray, interval_s: float) -> NDArray[np.float64]:
    """Return what `take_columns` would cut out of the running integral of rows, without integrating whole rows.

    Parameters
    ----------
    rows : ndarray, shape (k, m)
        NaN counts as 0, and its integral is not given.
    begin, end : ndarray, shape (k,)
        Columns; NaN gives an empty row.
    interval_s : float

    Returns
    -------
    ndarray, shape (k, largest length), at least one column
        By the trapezoidal rule from column 0 on; NaN pads.

    Examples
    --------
    >>> integral_between(np.array([[1.0, 1.0, 3.0, 3.0]]), np.array([2]), np.array([4]), 1.0).tolist()
    [[3.0, 6.0]]
    """
    part = take_columns(rows, begin, end)
    n, m = rows.shape
    low = np.clip(np.ceil(np.nan_to_num(begin)), 0, m - 1).astype(np.int64)
    # All rows as one: what stands before each stretch, and what lies from there to the next row.
    limits = m * np.arange(n)[:, None] + np.stack([np.zeros_like(low), low], axis=1)
    before = np.where(low > 0, np.add.reduceat(rows.ravel(), limits.ravel())[::2], 0.0)
    holes = np.flatnonzero(np.isnan(before))
    before[holes] = np.nansum(np.where(np.arange(m) < low[holes, None], rows[holes], 0.0), axis=1)
    filled = np.nan_to_num(part)
    held = np.cumsum(filled, axis=1)
    held += (before - 0.5 * np.nan_to_num(rows[:, 0]))[:, None] - 0.5 * filled
    return np.where(np.isfinite(part), held * interval_s, np.nan)
