"""Units: how seconds, samples and the unit names found in files turn into each other."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

#: Factor from a unit name (lower case) to the SI unit of its quantity.
TIME_UNITS_S = {"s": 1.0, "sec": 1.0, "second": 1.0, "seconds": 1.0, "ms": 1e-3, "us": 1e-6, "µs": 1e-6,
                "μs": 1e-6, "ns": 1e-9}
VOLTAGE_UNITS_V = {"v": 1.0, "volt": 1.0, "volts": 1.0, "mv": 1e-3, "kv": 1e3, "uv": 1e-6, "µv": 1e-6}
CURRENT_UNITS_A = {"a": 1.0, "amp": 1.0, "ampere": 1.0, "amperes": 1.0, "ma": 1e-3, "ka": 1e3}


def samples_from_seconds(seconds: NDArray | float, sample_rate_Hz: float, start_s: float = 0.0) -> NDArray:
    """Convert instants on a channel's time axis to float sample positions.

    Parameters
    ----------
    seconds : array_like of float, shape (n,)
        Instants in seconds.
    sample_rate_Hz : float
        Sample rate in hertz, positive.
    start_s : float
        Time of sample 0 in seconds.

    Returns
    -------
    ndarray of float, shape (n,)

    Examples
    --------
    >>> float(samples_from_seconds(0.5, 1000.0, 0.25))
    250.0
    """
    return (np.asarray(seconds, dtype=float) - start_s) * sample_rate_Hz


def seconds_from_samples(position: NDArray | float, sample_rate_Hz: float, start_s: float = 0.0) -> NDArray:
    """Convert float sample positions to instants in seconds on the channel's time axis.

    Examples
    --------
    >>> float(seconds_from_samples(250.0, 1000.0, 0.25))
    0.5
    """
    return np.asarray(position, dtype=float) / sample_rate_Hz + start_s
