"""Collects the knots of many events in any order of events, in time order inside an event."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sigkit.simulate.event_waveforms import SIGNALS

#: On pieces shorter than this a slope that would overshoot is clipped: they hold transitions faster
#: than the piece, never a resolved oscillation (our choice), seconds.
_STEEP_S = 60e-9


class KnotStore:
    """Append-only store; `finish` sorts by event."""

    def __init__(self) -> None:
        self.rows: list[NDArray] = []
        self.times: list[NDArray] = []
        self.values: list[NDArray] = []
        self.slopes: list[NDArray] = []

    def add(self, rows: NDArray, times_s: NDArray, values: NDArray, slopes: NDArray) -> None:
        """Add knots: rows and times of shape (m,), values and slopes of shape (4, m) in `SIGNALS` order."""
        self.rows.append(rows.astype(np.int32))
        self.times.append(times_s)
        self.values.append(values.astype(np.float32))
        self.slopes.append(slopes.astype(np.float32))

    @staticmethod
    def _sorted(parts: list[NDArray], order: NDArray) -> NDArray:
        """Return the parts joined and sorted, one signal at a time to save memory."""
        result = np.empty((len(SIGNALS), order.size), dtype=np.float32)
        for signal in range(len(SIGNALS)):
            np.take(np.concatenate([part[signal] for part in parts]), order, out=result[signal])
        return result

    def finish(self, n: int) -> tuple[NDArray, NDArray, dict[str, NDArray], dict[str, NDArray]]:
        """Return offset, time_s, value and slope as `EventWaveforms` holds them, and forget the parts."""
        rows = np.concatenate(self.rows)
        order = np.argsort(rows, kind="stable")
        offset = np.zeros(n + 1, dtype=np.int64)
        np.cumsum(np.bincount(rows, minlength=n), out=offset[1:])
        self.rows = []
        time_s = np.concatenate(self.times)[order]
        self.times = []
        values = self._sorted(self.values, order)
        self.values = []
        slopes = self._sorted(self.slopes, order)
        self.slopes = []
        width = np.diff(time_s)
        steep = np.flatnonzero((width > 0) & (width < _STEEP_S))
        for signal in range(len(SIGNALS)):
            limit = 3.0 * (values[signal, steep + 1] - values[signal, steep]) / width[steep]
            low, high = np.minimum(limit, 0.0), np.maximum(limit, 0.0)
            slopes[signal, steep] = np.clip(slopes[signal, steep], low, high)
            slopes[signal, steep + 1] = np.where(
                # The right end also begins the next piece: touch it only where it really overshoots.
                np.abs(slopes[signal, steep + 1]) > 4.0 * np.abs(limit) + 1e8,
                np.clip(slopes[signal, steep + 1], low, high),
                slopes[signal, steep + 1],
            )
        return (
            offset,
            time_s,
            {name: values[i] for i, name in enumerate(SIGNALS)},
            {name: slopes[i] for i, name in enumerate(SIGNALS)},
        )
