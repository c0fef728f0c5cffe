"""What really happened in simulated ignition events: instants, intervals, voltages, energies."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

#: Conduction shorter than this is a flash, not a spark (our choice, design section 3), seconds.
FLASH_S = 0.05e-3

#: Fields with one entry a conduction interval instead of one an event.
_RAGGED = ("interval_event", "interval_end", "interval_strike", "interval_path", "interval_start_s",
           "interval_stop_s")


@dataclass(frozen=True, eq=False)
class EventTruth:
    """Exact truth of n events. Instants in seconds from the first switching-off; NaN where there is none.

    Shapes: (n,) an event, (n, S) an event and strike (S = 1 + most repeat strikes), (n, 2) an event and
    end of the secondary, (n, 2, S) all three, (m,) one a conduction interval. On a single coil end 1 is
    grounded: its entries are NaN, "no" and 0. Voltages are signed and at the coil tower.

    Attributes
    ----------
    coil_on_s, coil_off_s : ndarray, shape (n, S)
        Switching instants of each strike, NaN-padded; ``coil_off_s[:, 0] == 0``.
    breakdown_s, burn_end_s : ndarray, shape (n, 2)
        First conduction and last extinction of the first discharge. Re-ignitions shorter than 20 us that
        follow its last longer interval (a crest of the ring fires through the gap once more) do not move
        burn_end; they are among the intervals and counted in ``after_flashes``.
    strike_breakdown_s, strike_burn_end_s : ndarray, shape (n, 2, S)
        The same for each strike.
    interval_event, interval_end, interval_strike : ndarray of int, shape (m,)
        Row of the event, end (0, 1) and strike of each conduction interval, sorted by event, end, start.
    interval_path : ndarray of int, shape (m,)
        0 across the plug gap, 1 over the insulation at the tower.
    interval_start_s, interval_stop_s : ndarray, shape (m,)
    firing_voltage_V : ndarray, shape (n, 2)
        Largest excursion in the firing's own sign between coil_off and breakdown; NaN without breakdown.
    breakdown_voltage_V : ndarray, shape (n, 2)
        Tower voltage at the instant of breakdown.
    peak_voltage_V : ndarray, shape (n, 2)
        Largest excursion from coil_off on (first strike), always given.
    burn_voltage_V : ndarray, shape (n, 2)
        Median over the middle 40 % of the first discharge.
    burn_slope_V_per_s : ndarray, shape (n, 2)
        Slope of the least-squares line over 20 to 80 % of the first discharge.
    ring_frequency_Hz, ring_damping_ratio : ndarray, shape (n,)
        Damped frequency and damping ratio of the slowest oscillation of the coil when its primary is off and no gap
        conducts; NaN where there is none, and behind a blocking diode.
    peak_current_A, off_current_A : ndarray, shape (n,)
        Largest primary current of the first dwell, and the current at the first switching-off.
    stored_energy_J : ndarray, shape (n,)
        Magnetic energy at the first switching-off.
    gap_energy_J : ndarray, shape (n, 2)
        Energy turned over in each gap, all strikes, capacitive part included.
    spark : ndarray of str, shape (n, 2)
        ``"yes"`` (conduction time of the first discharge at least 0.05 ms), ``"flash"`` or ``"no"``.
    soft_end : ndarray of bool, shape (n, 2)
        True where no visible rise of the voltage follows burn_end (less than 10 % of the voltage there;
        our choice).
    restrikes : ndarray of int, shape (n, 2)
        Re-ignitions within the first discharge (conduction intervals minus one).
    short_cuts : ndarray of int, shape (n, 2)
        Times the stretched channel short-cut itself without going out.
    after_flashes : ndarray of int, shape (n, 2)
        Short re-ignitions behind the first discharge.
    """

    coil_on_s: NDArray[np.float64]
    coil_off_s: NDArray[np.float64]
    breakdown_s: NDArray[np.float64]
    burn_end_s: NDArray[np.float64]
    strike_breakdown_s: NDArray[np.float64]
    strike_burn_end_s: NDArray[np.float64]
    interval_event: NDArray[np.int64]
    interval_end: NDArray[np.int64]
    interval_strike: NDArray[np.int64]
    interval_path: NDArray[np.int64]
    interval_start_s: NDArray[np.float64]
    interval_stop_s: NDArray[np.float64]
    firing_voltage_V: NDArray[np.float64]
    breakdown_voltage_V: NDArray[np.float64]
    peak_voltage_V: NDArray[np.float64]
    burn_voltage_V: NDArray[np.float64]
    burn_slope_V_per_s: NDArray[np.float64]
    ring_frequency_Hz: NDArray[np.float64]
    ring_damping_ratio: NDArray[np.float64]
    peak_current_A: NDArray[np.float64]
    off_current_A: NDArray[np.float64]
    stored_energy_J: NDArray[np.float64]
    gap_energy_J: NDArray[np.float64]
    spark: NDArray[np.str_]
    soft_end: NDArray[np.bool_]
    restrikes: NDArray[np.int64]
    short_cuts: NDArray[np.int64]
    after_flashes: NDArray[np.int64]

    def __len__(self) -> int:
        return int(self.coil_on_s.shape[0])

    def intervals(self, row: int, end: int) -> NDArray[np.float64]:
        """Return the conduction intervals of one end of one event, shape (m, 2), start and stop in s."""
        own = (self.interval_event == row) & (self.interval_end == end)
        return np.column_stack([self.interval_start_s[own], self.interval_stop_s[own]])

    def take(self, rows: NDArray) -> EventTruth:
        """Return the truth of the events with the given (distinct) row numbers, renumbered in that order."""
        rows = np.asarray(rows)
        place = np.full(len(self), -1, dtype=np.int64)
        place[rows] = np.arange(rows.size)
        own = np.flatnonzero(place[self.interval_event] >= 0)
        own = own[np.argsort(place[self.interval_event[own]], kind="stable")]
        parts = {}
        for field in fields(self):
            value = getattr(self, field.name)
            parts[field.name] = value[own] if field.name in _RAGGED else value[rows]
        parts["interval_event"] = place[parts["interval_event"]]
        return EventTruth(**parts)
