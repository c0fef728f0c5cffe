"""Waveforms of simulated events: knots with derivatives, sampled at any instant by cubic Hermite pieces."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sigkit.errors import SimulationError
from sigkit.simulate.event_truth import EventTruth

#: Signals every event carries. Tower voltages are at the coil, before the series resistance: what a
#: pickup on the lead sees. The primary voltage is at the switch, against ground.
SIGNALS = ("tower_0_V", "tower_1_V", "primary_voltage_V", "coil_current_A")

#: Samples worked on at a time by `EventWaveforms.on_grid`: fits a processor's cache (our choice).
_BLOCK_SAMPLES = 200_000


@dataclass(frozen=True, eq=False)
class EventWaveforms:
    """Waveforms and truth of n events.

    Every event has its own knots, denser where more happens; at a kink two knots share one instant.
    Between knots a cubic Hermite piece is exact to about (h w)^4 / 384 of an oscillation of angular
    frequency w, h the knot distance. Before the first knot the circuit rests, behind the last knot the
    last value holds. On a single coil ``tower_1_V`` is the foot of its winding: zero (grounded), or what a blocking
    diode leaves there.

    Attributes
    ----------
    offset : ndarray of int64, shape (n + 1,)
        Knots ``offset[i]:offset[i + 1]`` belong to event i.
    time_s : ndarray of float64, shape (total,)
        Non-decreasing inside an event; 0 is the first switching-off.
    value, slope : dict of str to ndarray of float32, shape (total,)
        Value and time derivative at each knot, by signal name (`SIGNALS`).
    truth : EventTruth
    """

    offset: NDArray[np.int64]
    time_s: NDArray[np.float64]
    value: dict[str, NDArray[np.float32]]
    slope: dict[str, NDArray[np.float32]]
    truth: EventTruth

    def __len__(self) -> int:
        return int(self.offset.shape[0]) - 1

    @property
    def start_s(self) -> NDArray[np.float64]:
        """First knot of each event, shape (n,)."""
        return self.time_s[self.offset[:-1]]

    @property
    def stop_s(self) -> NDArray[np.float64]:
        """Last knot of each event, shape (n,)."""
        return self.time_s[self.offset[1:] - 1]

    def sample(self, signal: str, row: int | NDArray, times_s: NDArray) -> NDArray[np.float64]:
        """Return a signal of one or several events at any instants.

        Parameters
        ----------
        signal : str
            One of `SIGNALS`.
        row : int or ndarray of int, shape (r,)
            Events wanted.
        times_s : ndarray, shape (m,) or (r, m)
            Instants, seconds from the first switching-off, any order.

        Returns
        -------
        ndarray of float64, shape (m,) for one row, (r, m) for several

        Raises
        ------
        SimulationError
            When there is no such signal.
        """
        self._check(signal)
        rows = np.atleast_1d(np.asarray(row))
        times = np.asarray(times_s, dtype=float)
        wanted = np.broadcast_to(np.atleast_2d(times), (rows.size, np.atleast_2d(times).shape[1]))
        left = np.empty(wanted.shape, dtype=np.int64)
        for place, event in enumerate(rows):
            first, last = self.offset[event], self.offset[event + 1]
            left[place] = first - 1 + np.searchsorted(self.time_s[first:last], wanted[place], side="right")
        result = self._interpolate(signal, left, wanted, self.offset[rows][:, None],
                                   self.offset[rows + 1][:, None] - 1)
        return result[0] if np.ndim(row) == 0 else result

    def on_grid(
        self,
        signal: str,
        start_s: float | NDArray,
        step_s: float,
        count: int,
        rows: NDArray | None = None,
    ) -> NDArray[np.float32]:
        """Return a signal of many events on uniform grids, quickly.

        Parameters
        ----------
        signal : str
            One of `SIGNALS`.
        start_s : float or ndarray, shape (r,)
            Instant of the first sample, the same or one for each event.
        step_s : float
            Sample distance, positive.
        count : int
            Samples an event.
        rows : ndarray of int, shape (r,), optional
            Events wanted, all by default.

        Returns
        -------
        ndarray of float32, shape (r, count)

        Raises
        ------
        SimulationError
            When there is no such signal.
        """
        self._check(signal)
        rows = np.arange(len(self)) if rows is None else np.asarray(rows)
        starts = np.broadcast_to(np.asarray(start_s, dtype=float), rows.shape)
        result = np.empty((rows.size, count), dtype=np.float32)
        steps = np.arange(count) * step_s
        block = max(1, _BLOCK_SAMPLES // max(count, 1))
        for begin in range(0, rows.size, block):
            part = rows[begin : begin + block]
            start = starts[begin : begin + block]
            first, last = self.offset[part], self.offset[part + 1]
            lengths = last - first
            own = np.repeat(np.arange(part.size), lengths)
            ends = np.cumsum(lengths)
            knots = np.arange(ends[-1]) + np.repeat(first - ends + lengths, lengths)
            time = self.time_s[knots]
            # Every knot counts from the first sample at or behind it on; the running sum is its number.
            place = np.ceil((time - start[own]) / step_s - 1e-9)
            place = np.clip(place, 0, count).astype(np.int64)
            marks = np.bincount(own * (count + 1) + place, minlength=part.size * (count + 1))
            left = np.cumsum(marks.reshape(part.size, count + 1), axis=1)[:, :count]
            left = np.maximum(left - 1, 0) + (ends - lengths)[:, None]
            value, slope = self.value[signal][knots], self.slope[signal][knots]
            width = np.zeros(time.size)
            width[:-1] = np.diff(time)
            width[ends - 1] = 0.0
            holds = width <= 0
            slope_1 = np.where(holds, 0.0, slope * width).astype(np.float32)
            rise = np.zeros(time.size, dtype=np.float32)
            slope_2 = rise.copy()
            rise[:-1] = value[1:] - value[:-1]
            slope_2[:-1] = slope[1:] * width[:-1]
            rise[holds] = slope_2[holds] = 0.0
            square, cube = 3 * rise - 2 * slope_1 - slope_2, slope_1 + slope_2 - 2 * rise
            inverse = 1.0 / np.where(holds, np.inf, width)
            u = (start[:, None] + steps - time[left]) * inverse[left]
            u = np.clip(u, 0.0, 1.0).astype(np.float32)
            result[begin : begin + block] = value[left] + u * (
                slope_1[left] + u * (square[left] + u * cube[left])
            )
        return result

    def _check(self, signal: str) -> None:
        if signal not in self.value:
            raise SimulationError(
                f"there is no signal {signal!r}; an event carries {', '.join(self.value)}. "
                "Ask for one of these."
            )

    def _interpolate(
        self, signal: str, left: NDArray, wanted: NDArray, first: NDArray, last: NDArray
    ) -> NDArray[np.float64]:
        """Evaluate the Hermite piece right of knot ``left`` (clipped to the event's knots)."""
        value, slope = self.value[signal], self.slope[signal]
        low = np.clip(left, first, last)
        high = np.clip(left + 1, first, last)
        begin = self.time_s[low]
        width = self.time_s[high] - begin
        inside = width > 0
        width = np.where(inside, width, 1.0)
        u = np.where(inside, np.clip((wanted - begin) / width, 0.0, 1.0), 0.0)
        v = 1.0 - u
        low_value, high_value = value[low].astype(float), value[high].astype(float)
        return (
            low_value * (v * v * (1.0 + 2.0 * u))
            + high_value * (u * u * (3.0 - 2.0 * u))
            + width * u * v * (slope[low] * v - slope[high] * u)
        )
