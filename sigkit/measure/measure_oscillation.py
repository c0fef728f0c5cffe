"""The ring after the burn (or after the peak, without a spark) of many firings."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sigkit.measure.firing_windows import FiringWindows
from sigkit.measure.fit_ring import RingFit, fit_ring
from sigkit.measure.take_columns import take_columns
from sigkit.measure.window_batch import WindowBatch

#: Longest stretch of ring looked at, seconds (our choice), and rows fitted at a time.
RING_S = 5e-3
ROWS = 512
#: Fewest samples of ring (our choice).
FEWEST = 10
#: A rise within this time of burn_end counts as visible from this share of the burn level on (our choice).
RISE_S, RISE_SHARE = 60e-6, 0.10


@dataclass(frozen=True, eq=False)
class RingReading:
    """Rings of k firings.

    Attributes
    ----------
    fit : RingFit
    begun : ndarray of bool, shape (k,)
        The instant after which the ring comes is known.
    recorded : ndarray of bool, shape (k,)
        Enough samples of it are on the record.
    struck_again : ndarray of bool, shape (k,)
        The coil was switched on again before the ring could be seen.
    soft_end : ndarray of bool, shape (k,)
        No visible rise follows burn_end.
    """

    fit: RingFit
    begun: NDArray[np.bool_]
    recorded: NDArray[np.bool_]
    struck_again: NDArray[np.bool_]
    soft_end: NDArray[np.bool_]


def measure_oscillation(
    batch: WindowBatch, windows: FiringWindows, sign: NDArray, peak_column: NDArray, end_level: NDArray
) -> RingReading:
    """Fit the rings; positive is the sign of the firing line.

    The instants' uncertainty moves the start of the fitted stretch only and costs nothing to first order.
    """
    instants = windows.instants
    dark = (instants.sparked == "no")[batch.rows]
    begin = np.where(dark, peak_column.astype(float), batch.burn_end + 1.0)
    again = np.zeros(len(instants), dtype=bool)
    again[instants.intervals.firing[instants.intervals.strike > 0]] = True
    span = RING_S / windows.interval_s
    recorded_end = (windows.end[batch.rows] - batch.first).astype(float)
    limits = begin, np.minimum(begin + span, recorded_end)
    value = take_columns(batch.value, *limits) * sign[:, None]
    value[take_columns(batch.clipped, *limits) == 1] = np.nan
    count = np.isfinite(value).sum(axis=1)
    usable = (count >= FEWEST) & ~again[batch.rows]
    if value.shape[1] < FEWEST:
        value = np.pad(value, ((0, 0), (0, FEWEST - value.shape[1])), constant_values=np.nan)
    value = np.where(usable[:, None], value, np.nan)
    order = np.argsort(count, kind="stable")
    parts = []
    for start in range(0, len(order), ROWS):
        rows = order[start : start + ROWS]
        width = max(int(count[rows].max()), FEWEST)
        parts.append(fit_ring(value[rows, :width], windows.interval_s, windows.noise, windows.correlation))
    back = np.argsort(order, kind="stable")
    joined = {name: np.concatenate([getattr(part, name) for part in parts])[back] for name in RingFit.__annotations__}
    rise = take_columns(batch.value, batch.burn_end, batch.burn_end + RISE_S / windows.interval_s) * sign[:, None]
    rise = np.where(np.isfinite(rise), rise, -np.inf)
    highest = rise.max(axis=1) if rise.shape[1] else np.full(len(sign), -np.inf)
    margin = np.maximum(RISE_SHARE * np.abs(end_level), 3.0 * windows.noise)
    with np.errstate(invalid="ignore"):
        soft = np.isfinite(highest) & np.isfinite(end_level) & (highest < np.abs(end_level) + margin)
    return RingReading(
        fit=RingFit(**joined), begun=np.isfinite(begin), recorded=count >= FEWEST,
        struck_again=again[batch.rows], soft_end=soft,
    )
