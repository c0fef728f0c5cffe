"""Measured quantities as columns: value, standard uncertainty, 95 % interval, flag."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from sigkit.types.flags import OK, missing


@dataclass(frozen=True)
class QuantitySpec:
    """Name and unit of a measured quantity.

    ``column`` is the name in tables with its unit suffix; ``u_column`` etc. follow the rule
    ``burn_time_ms`` -> ``burn_time_u_ms``, ``burn_time_lo_ms``, ``burn_time_hi_ms``, ``burn_time_flag``.
    """

    name: str
    unit: str
    meaning: str

    @property
    def suffix(self) -> str:
        return f"_{self.unit}" if self.unit else ""

    @property
    def column(self) -> str:
        return self.name + self.suffix

    @property
    def u_column(self) -> str:
        return f"{self.name}_u{self.suffix}"

    @property
    def lo_column(self) -> str:
        return f"{self.name}_lo{self.suffix}"

    @property
    def hi_column(self) -> str:
        return f"{self.name}_hi{self.suffix}"

    @property
    def flag_column(self) -> str:
        return f"{self.name}_flag"


#: Every measured quantity, in table order. Instants are in seconds on the capture's axis.
QUANTITIES = (
    QuantitySpec("coil_on", "s", "instant at which the coil current is switched on"),
    QuantitySpec("coil_off", "s", "instant at which the coil current is switched off"),
    QuantitySpec("breakdown", "s", "first conduction of this lead's own gap"),
    QuantitySpec("burn_end", "s", "last extinction of that discharge"),
    QuantitySpec("burn_time", "ms", "burn_end - breakdown, restrikes included"),
    QuantitySpec("peak_voltage", "V", "largest excursion of the firing, signed as recorded"),
    QuantitySpec("firing_voltage", "V", "largest excursion at or before breakdown"),
    QuantitySpec("burn_voltage", "V", "median over the middle 40 % of the burn"),
    QuantitySpec("burn_slope", "V_per_ms", "robust slope over 20-80 % of the burn, positive when growing"),
    QuantitySpec("burn_hash", "V", "rms about the fitted burn line"),
    QuantitySpec("ring_frequency", "Hz", "damped frequency of the oscillation after the burn"),
    QuantitySpec("ring_damping_ratio", "", "damping ratio of that oscillation by logarithmic decrement"),
    QuantitySpec("ring_cycles", "", "positive peaks above 5 % of the first"),
    QuantitySpec("dwell_time", "ms", "coil_off - coil_on"),
    # Further quantities, behind the fixed part of the firing table.
    QuantitySpec("conduction_time", "ms", "sum of the conduction intervals"),
    QuantitySpec("burn_curvature", "V_per_ms2", "second derivative of the burn line, over 20-80 %"),
    QuantitySpec("burn_step", "V", "largest step in the burn line"),
    QuantitySpec("ring_hidden_cycles", "", "cycles above 5 % that the noise would have hidden"),
)
QUANTITY = {spec.name: spec for spec in QUANTITIES}


@dataclass(eq=False)
class Column:
    """Values of one quantity for n firings. Arrays have shape (n,); NaN where missing."""

    value: NDArray[np.float64]
    u: NDArray[np.float64]
    lo: NDArray[np.float64]
    hi: NDArray[np.float64]
    flag: NDArray[np.str_]

    @classmethod
    def missing(cls, n: int, reason: str = "not_judged") -> Column:
        """Return a column of n missing values."""
        nan = np.full(n, np.nan)
        return cls(nan, nan.copy(), nan.copy(), nan.copy(), np.full(n, missing(reason), dtype=object))

    @classmethod
    def of(cls, value: NDArray, u: NDArray, flag: NDArray | None = None, coverage_factor: float = 1.96) -> Column:
        """Return a column with a symmetric 95 % interval (normal, factor 1.96: JCGM 100:2008, G.1.3)."""
        value = np.asarray(value, dtype=float)
        u = np.asarray(u, dtype=float)
        if flag is None:
            flag = np.where(np.isfinite(value), OK, missing("not_judged")).astype(object)
        return cls(value, u, value - coverage_factor * u, value + coverage_factor * u, flag)


@dataclass(eq=False)
class Measurements:
    """Quantities of the n firings of one channel.

    Attributes
    ----------
    channel : str
    columns : dict of str to Column
        By quantity name (`QUANTITIES`).
    flags : ndarray of str, shape (n,)
        Flags of the whole firing, joined by a blank.
    conduction_intervals : ndarray of int64, shape (n,)
        Number of conduction intervals of the first discharge.
    extra : dict of str to ndarray
        Further plain columns, each of shape (n,).
    """

    channel: str
    columns: dict[str, Column]
    flags: NDArray[np.str_]
    conduction_intervals: NDArray[np.int64]
    extra: dict[str, NDArray] = field(default_factory=dict)
