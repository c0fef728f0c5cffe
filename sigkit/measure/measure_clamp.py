"""The flat top of the primary's spike: level and duration of the switch clamp, and the supply it rises from."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sigkit.prepare.channel_condition import ChannelCondition
from sigkit.types.channel import Channel
from sigkit.types.instants import Instants

#: Stretch behind coil_off in which the spike lies, and before coil_on that shows the supply, seconds (our choice).
SPIKE_S, SUPPLY_S = 0.2e-3, 1.0e-3
#: The top is flat where so many samples stay within this share of the height (our choice).
FLAT_SHARE, FEWEST_FLAT = 0.03, 3


@dataclass(frozen=True, eq=False)
class ClampReading:
    """Spikes of n firings of a primary. Arrays have shape (n,), volts at the pickup; NaN where missing.

    Attributes
    ----------
    level, level_u : median of the flat top, against ground; missing when the top is not flat.
    duration_ms, duration_u_ms : time above the level less the flat share.
    supply, supply_u : level before coil_on.
    on, on_u : level during the dwell, just behind coil_on (the switch's own drop).
    """

    level: NDArray[np.float64]
    level_u: NDArray[np.float64]
    duration_ms: NDArray[np.float64]
    duration_u_ms: NDArray[np.float64]
    supply: NDArray[np.float64]
    supply_u: NDArray[np.float64]
    on: NDArray[np.float64]
    on_u: NDArray[np.float64]


def measure_clamp(channel: Channel, instants: Instants, condition: ChannelCondition) -> ClampReading:
    """Measure the flat top, the supply and the switch's drop.

    Uncertainty: noise of a median (pi/2 of a mean's variance, Kendall and Stuart), quantisation step / sqrt(12),
    half of the slope left on the top; for the duration each edge within its interval, 1 / sqrt(12) samples.

    Examples
    --------
    >>> from sigkit.measure.instants_from_table import instants_from_table
    >>> t = np.arange(-4e-3, 3e-3, 1e-6)
    >>> v = np.select([t < -3e-3, t < 0, t < 30e-6], [13.5, 0.2, 400.0], 40.0)
    >>> channel = Channel("1", v, 1e6, start_s=-4e-3, unit="V", kind="primary_voltage")
    >>> instants = instants_from_table(channel, {"coil_on_s": np.array([-3e-3]), "coil_off_s": np.array([0.0])})
    >>> got = measure_clamp(channel, instants, ChannelCondition(1e-3, 0.0, -np.inf, np.inf))
    >>> float(got.level[0]), round(float(got.duration_ms[0]), 3), float(got.supply[0])
    (400.0, 0.03, 13.5)
    """
    n = len(instants)
    out = {name: np.full(n, np.nan) for name in ClampReading.__annotations__}
    rate = channel.sample_rate_Hz
    floor = condition.step / np.sqrt(12.0)

    def settle(name: str, row: int, values: NDArray) -> None:
        if values.size >= 3:
            out[name][row] = float(np.median(values))
            out[f"{name}_u"][row] = float(np.hypot(condition.noise * np.sqrt(0.5 * np.pi / values.size), floor))

    for row in range(n):
        on, off = instants.coil_on.position[row], instants.coil_off.position[row]
        if np.isfinite(on):
            settle("supply", row, channel.values(int(on - SUPPLY_S * rate), max(int(on) - 1, 0)))
            until = min(on + 0.1e-3 * rate + 4, off - 1 if np.isfinite(off) else np.inf)
            settle("on", row, channel.values(int(on) + 2, int(until)))
        if not np.isfinite(off):
            continue
        spike = channel.values(int(off), int(off + SPIKE_S * rate) + 2)
        if spike.size < FEWEST_FLAT:
            continue
        supply = out["supply"][row] if np.isfinite(out["supply"][row]) else 0.0
        height = spike - supply
        sign = 1.0 if abs(height.max()) >= abs(height.min()) else -1.0
        height = sign * height
        top = float(height.max())
        above = np.flatnonzero(height >= (1.0 - FLAT_SHARE) * top)
        whole = above.size == above[-1] - above[0] + 1
        if above.size < FEWEST_FLAT or not whole or spike[above].max() >= condition.clip_high:
            continue
        # A parabola also lingers near its top: a clamp's middle is flatter than its ends are far.
        inner = height[above[1:-1]] if above.size > 4 else height[above]
        tilt = float(np.ptp(inner))
        if tilt > max(0.4 * FLAT_SHARE * top, 4.0 * condition.noise, 1.01 * condition.step):
            continue
        level = float(np.median(inner))
        out["level"][row] = supply + sign * level
        noise_u = condition.noise * np.sqrt(0.5 * np.pi / inner.size)
        out["level_u"][row] = float(np.sqrt(noise_u**2 + floor**2 + (0.25 * tilt) ** 2))
        out["duration_ms"][row] = above.size / rate * 1e3
        out["duration_u_ms"][row] = float(np.sqrt(2.0 / 12.0) / rate * 1e3)
    return ClampReading(**out)
