"""One recorded channel: samples, rate, start and, where known, a scale."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

#: What a channel can be (design: words). The value is what tables and sidecars carry.
CHANNEL_KINDS = ("secondary_voltage", "primary_voltage", "coil_current", "synchronising_pulse", "unknown")


@dataclass(frozen=True, eq=False)
class Channel:
    """A channel of a capture.

    Samples stay as stored (integers, a memory map); ``values`` turns a slice into floats in ``unit``.
    The voltage is at the pickup: kilovolts at the spark need ``pickup_ratio``.

    Attributes
    ----------
    name : str
        Name inside the capture, unique there.
    samples : ndarray, shape (n,)
        Stored samples, any real dtype, possibly memory-mapped.
    sample_rate_Hz : float
        Hertz, positive.
    start_s : float
        Time of sample 0 on the capture's own time axis, seconds (may be negative).
    scale : float
        Units per stored step: value = (stored - zero) * scale.
    zero : float
        Stored value that means 0.
    unit : str
        ``"V"``, ``"A"`` or ``""`` when the file gives no scale (then values are in stored units).
    kind : str
        One of `CHANNEL_KINDS`.
    full_scale : tuple of float or None
        Lowest and highest value (in ``unit``) the recorder can store, if known.
    lead, cylinder, coil : str
        As given by sidecar, profile or command line; ``""`` when not known.
    pickup_ratio : float or None
        Volts at the spark per volt at the pickup, if known.
    pickup_time_constant_s : float or None
        Of the pickup's high-pass, seconds: R (C1 + C2) of a capacitive clip; inf where it passes zero frequency.
        None where not known: the droop is then estimated.
    """

    name: str
    samples: NDArray
    sample_rate_Hz: float
    start_s: float = 0.0
    scale: float = 1.0
    zero: float = 0.0
    unit: str = ""
    kind: str = "unknown"
    full_scale: tuple[float, float] | None = None
    lead: str = ""
    cylinder: str = ""
    coil: str = ""
    pickup_ratio: float | None = None
    pickup_time_constant_s: float | None = None

    def __len__(self) -> int:
        return int(self.samples.shape[0])

    def values(self, start: int = 0, stop: int | None = None) -> NDArray[np.float64]:
        """Return samples ``start:stop`` (clipped to the record) as float64 in ``unit``."""
        part = np.asarray(self.samples[max(start, 0) : stop], dtype=np.float64)
        return (part - self.zero) * self.scale

    def with_(self, **changes: Any) -> Channel:
        """Return a copy with some attributes changed."""
        return replace(self, **changes)
