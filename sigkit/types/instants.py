"""What a locator (or a hand, or a rival) says of the firings of one channel: the instants."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

#: The four instants of a firing.
INSTANT_NAMES = ("coil_on", "coil_off", "breakdown", "burn_end")

#: Answers to "did it spark?" (design: flash is conduction shorter than 0.05 ms).
SPARK_STATES = ("yes", "flash", "no", "unknown")


@dataclass(frozen=True, eq=False)
class Instant:
    """One instant of n firings, in float sample positions of the channel. All arrays have shape (n,).

    Attributes
    ----------
    position, u, lo, hi : ndarray of float64
        Value, standard uncertainty and 95 % interval, in samples; NaN where missing.
    flag : ndarray of str
        ``"ok"``, or ``"missing:<reason>"`` (reasons: `sigkit.types.flags`).
    """

    position: NDArray[np.float64]
    u: NDArray[np.float64]
    lo: NDArray[np.float64]
    hi: NDArray[np.float64]
    flag: NDArray[np.str_]


@dataclass(frozen=True, eq=False)
class Intervals:
    """Conduction intervals, one row each, of the firings of one channel. Shape (m,).

    Attributes
    ----------
    firing : ndarray of int64
        Row number of the firing in `Instants`.
    start, stop, start_u, stop_u : ndarray of float64
        Begin and end of conduction and their standard uncertainties, in samples.
    strike : ndarray of int64
        0 for the first discharge, 1, 2, ... for repeat strikes.
    """

    firing: NDArray[np.int64]
    start: NDArray[np.float64]
    stop: NDArray[np.float64]
    start_u: NDArray[np.float64]
    stop_u: NDArray[np.float64]
    strike: NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Instants:
    """Instants of the n firings of one channel.

    Attributes
    ----------
    channel : str
    coil_on, coil_off, breakdown, burn_end : Instant
    sparked : ndarray of str, shape (n,)
        One of `SPARK_STATES`.
    intervals : Intervals
    in_common : float
        What the errors of breakdown and burn_end have in common, as a share of the smaller one's variance, 0 to 1.
    """

    channel: str
    coil_on: Instant
    coil_off: Instant
    breakdown: Instant
    burn_end: Instant
    sparked: NDArray[np.str_]
    intervals: Intervals
    in_common: float = 0.0

    def __len__(self) -> int:
        return int(self.sparked.shape[0])
