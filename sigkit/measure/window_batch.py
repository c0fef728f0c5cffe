"""Windows of some firings of one channel, as the measurements read them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from sigkit.measure.take_columns import take_columns
from sigkit.prepare.droop import running_integral
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
    droop_error : callable
        Computes `droop_u`.
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
    droop_error: Callable[[], NDArray[np.float64]]

    @cached_property
    def droop_u(self) -> NDArray[np.float64]:
        """Standard uncertainty of ``value`` from the droop rate, shape (k, m); worked out when it is asked for."""
        return self.droop_error()


def droop_error(
    drooping: NDArray, held: NDArray | None, from_here: tuple[NDArray, NDArray], rate_u: float, interval_s: float
) -> NDArray[np.float64]:
    """Return the standard uncertainty of samples from the droop rate.

    Parameters
    ----------
    drooping, held : ndarray, shape (k, m)
        Samples before their droop was undone, and their running integral where it is at hand.
    from_here : tuple of ndarray, shape (k,)
        Columns between which the droop is taken to be nothing; NaN stands for the first column.
    rate_u : float
        Standard uncertainty of the droop rate, 1/s.
    interval_s : float

    Returns
    -------
    ndarray, shape (k, m)
    """
    if not rate_u:
        return np.zeros(drooping.shape)
    held = running_integral(drooping, interval_s) if held is None else held
    if np.isfinite(from_here[0]).any():
        held = held - np.nan_to_num(row_median(take_columns(held, *from_here)))[:, None]
    error = np.abs(held)
    error *= rate_u
    return error
