"""Conduction intervals of a discharge: interruptions show as tall narrow spikes within the burn."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sigkit.locate.rough_windows import RoughWindows
from sigkit.types.instants import Instant, Intervals

#: A spike within the burn is a re-ignition when it stands this many burn levels above the burn line, and
#: no longer than this (our choice: the coil's current lifts the lead by 100 V/us and more).
SPIKE_SHARE = 0.8
SPIKE_S = 60e-6


def list_intervals(
    rough: RoughWindows, breakdown: Instant, burn_end: Instant, level: NDArray, noise: float
) -> Intervals:
    """List the conduction intervals of the first discharge of each firing.

    Parameters
    ----------
    rough : RoughWindows
    breakdown, burn_end : Instant
        In samples; rows without both have no interval.
    level : ndarray, shape (n,)
        Early burn level.
    noise : float
        Of one rough column.

    Returns
    -------
    Intervals
        In samples.
    """
    firing, start, stop, start_u, stop_u = [], [], [], [], []
    first = rough.to_columns(breakdown.position)
    last = rough.to_columns(burn_end.position)
    least = max(2, round(25e-6 / rough.interval_s))
    longest = max(2, round(SPIKE_S / rough.interval_s))
    for row in np.flatnonzero(np.isfinite(first) & np.isfinite(last)):
        begin, end = int(np.ceil(first[row])) + least, int(np.floor(last[row])) - least
        edges = [(breakdown.position[row], breakdown.u[row])]
        if end - begin > 2 * longest:
            line = rough.rows[row, begin:end]
            # Below its lowest value no median lies: most lines cannot hold a spike, and need none.
            if line.max() <= line.min() + max(SPIKE_SHARE * level[row], 6 * noise):
                tall = np.zeros(0, dtype=bool)
            else:
                # The median; numpy's own takes as long again to get there.
                half = line.size // 2
                parted = np.partition(line, (half - 1, half))
                middle = 0.5 * (parted[half - 1 + line.size % 2] + parted[half])
                tall = line > middle + max(SPIKE_SHARE * max(middle, level[row]), 6 * noise)
            if tall.any():
                rises = np.flatnonzero(np.diff(np.concatenate([[False], tall, [False]]).astype(np.int8)))
                for up, down in rises.reshape(-1, 2):
                    if down - up <= longest:
                        at = rough.origin[row] + (begin + np.array([up - 0.5, down - 0.5])) * rough.factor
                        u = rough.factor / np.sqrt(12.0)
                        edges += [(at[0], u), (at[1], u)]
        edges.append((burn_end.position[row], burn_end.u[row]))
        for (low, low_u), (high, high_u) in zip(edges[::2], edges[1::2], strict=True):
            firing.append(row)
            start.append(low)
            stop.append(high)
            start_u.append(low_u)
            stop_u.append(high_u)
    return Intervals(
        np.asarray(firing, dtype=np.int64), np.asarray(start, dtype=float), np.asarray(stop, dtype=float),
        np.asarray(start_u, dtype=float), np.asarray(stop_u, dtype=float),
        np.zeros(len(firing), dtype=np.int64),
    )  # fmt: skip
