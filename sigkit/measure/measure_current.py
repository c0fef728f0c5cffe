"""The coil current of many firings: ramp, knee, peak, current left at switching-on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sigkit.prepare.channel_condition import ChannelCondition
from sigkit.types.channel import Channel
from sigkit.types.instants import Instants

#: Blocks of the ramp, and stretch before coil_on that shows zero, seconds (our choice).
BLOCKS, ZERO_S = 32, 1.0e-3
#: Time constants of the ramp looked at, seconds: inductance / resistance of primaries is 0.2 to 30 ms by their
#: usual values (common practice, no source), with room to spare.
CONSTANTS_S = np.geomspace(0.1e-3, 0.3, 120)
#: A block that rises by less than this share of what the ramp before it foretells is behind the knee (our choice).
KNEE_SHARE = 0.35


@dataclass(frozen=True, eq=False)
class CurrentReading:
    """Coil currents of n firings. Arrays have shape (n,); unit of the channel, NaN where missing.

    Attributes
    ----------
    peak, peak_u : largest current of the dwell, zero taken before coil_on.
    start, start_u : current at coil_on: not zero when the coil was switched on again before it was empty, and a
        quick step on shorted turns.
    slope_per_ms, slope_u_per_ms : slope of the ramp at coil_on, supply voltage / inductance.
    constant_ms, constant_u_ms : time constant of the ramp, inductance / resistance; missing on a straight ramp.
    knee_ms : time from coil_on at which the ramp passes into the current limit; missing without one.
    """

    peak: NDArray[np.float64]
    peak_u: NDArray[np.float64]
    start: NDArray[np.float64]
    start_u: NDArray[np.float64]
    slope_per_ms: NDArray[np.float64]
    slope_u_per_ms: NDArray[np.float64]
    constant_ms: NDArray[np.float64]
    constant_u_ms: NDArray[np.float64]
    knee_ms: NDArray[np.float64]


def measure_current(channel: Channel, instants: Instants, condition: ChannelCondition) -> CurrentReading:
    """Fit the ramp i = i0 + s T (1 - exp(-t / T)) to each dwell (elementary circuits: switched coil).

    Standard uncertainties are those of least squares (JCGM 100:2008, H.3), residuals or noise, whichever is
    larger; that of the nonlinear time constant comes from its profile.

    Parameters
    ----------
    channel : Channel
    instants : Instants
    condition : ChannelCondition

    Returns
    -------
    CurrentReading

    Examples
    --------
    >>> from sigkit.measure.instants_from_table import instants_from_table
    >>> t = np.arange(-2e-3, 5e-3, 5e-6)
    >>> i = np.where((t >= 0) & (t < 3e-3), 9.0 * (1 - np.exp(-t / 2.7e-3)), 0.0)
    >>> channel = Channel("1", i, 2e5, start_s=-2e-3, unit="A", kind="coil_current")
    >>> instants = instants_from_table(channel, {"coil_on_s": np.array([0.0]), "coil_off_s": np.array([3e-3])})
    >>> got = measure_current(channel, instants, ChannelCondition(1e-6, 0.0, -np.inf, np.inf))
    >>> round(float(got.peak[0]), 2), round(float(got.slope_per_ms[0]), 2), round(float(got.constant_ms[0]), 2)
    (6.04, 3.33, 2.7)
    """
    n = len(instants)
    out = {name: np.full(n, np.nan) for name in CurrentReading.__annotations__}
    rate = channel.sample_rate_Hz
    noise = max(condition.noise, 1e-12 * max(abs(channel.scale), 1e-300))
    for row in range(n):
        on, off = instants.coil_on.position[row], instants.coil_off.position[row]
        if not (np.isfinite(on) and np.isfinite(off) and off - on >= BLOCKS // 2):
            continue
        first = max(int(np.floor(on - ZERO_S * rate)), 0)
        value = channel.values(first, int(np.ceil(off)) + 1)
        before = value[: max(int(on) - first - 1, 0)]
        if before.size < 4:
            continue
        zero = float(np.median(before))
        value = value - zero
        zero_u = float(np.hypot(noise * np.sqrt(0.5 * np.pi / before.size), condition.step / np.sqrt(12.0)))
        sign = 1.0 if np.sum(value[int(on) - first :]) >= 0 else -1.0
        _fit_ramp(out, row, sign * value, on - first, off - first, rate, noise, zero_u)
        for name in ("peak", "start", "slope_per_ms"):
            out[name][row] *= sign
    return CurrentReading(**out)


def _fit_ramp(
    out: dict[str, NDArray], row: int, value: NDArray, on: float, off: float, rate: float, noise: float, zero_u: float
) -> None:
    """Fit one dwell, turned so that the current is positive; columns ``on`` and ``off``."""
    count = min(BLOCKS, int((off - on) / 2))
    edges = np.unique(np.rint(np.linspace(on + max(1.0, 0.02 * (off - on)), off - 1.0, count + 1)).astype(np.int64))
    edges = edges[(edges >= 0) & (edges < value.size)]
    if edges.size < 6:
        return
    size = np.diff(edges)
    mean = np.add.reduceat(value[: edges[-1]], edges[:-1]) / size
    t = (0.5 * (edges[1:] + edges[:-1]) - 0.5 - on) / rate
    step = np.diff(mean) / np.diff(t)
    typical = float(np.median(step[: max(step.size // 4, 1)]))
    behind = np.flatnonzero(step < KNEE_SHARE * typical)
    # Behind a knee the current stands still, it does not only sink towards its asymptote.
    flat = np.flatnonzero(np.abs(mean - mean[-3:].mean()) < max(0.015 * mean.max(), 3 * noise / np.sqrt(size.min())))
    limited = behind.size > 2 and flat.size >= 4 and step[-1] < 0.05 * typical
    stop = mean.size
    if limited:
        stop = max(int(flat[0]) - 1, 4)
    weight = np.sqrt(size[:stop]) / noise
    y = mean[:stop] * weight
    # Twice: over all constants, then finely about the best.
    constants = CONSTANTS_S
    for _ in range(2):
        shape = constants[:, None] * (1.0 - np.exp(-t[:stop] / constants[:, None]))
        a = np.stack([np.broadcast_to(weight, shape.shape), shape * weight], axis=2)
        normal = np.swapaxes(a, 1, 2) @ a
        solved = np.linalg.solve(normal, (np.swapaxes(a, 1, 2) @ y[:, None]))
        misfit = np.sum((y - (a @ solved)[:, :, 0]) ** 2, axis=1)
        best = int(misfit.argmin())
        likely = np.flatnonzero(misfit - misfit[best] < 12.0 * max(float(misfit[best]) / max(stop - 3, 1), 1.0))
        low, high = constants[max(likely[0] - 1, 0)], constants[min(likely[-1] + 1, constants.size - 1)]
        finer = np.geomspace(low, high, CONSTANTS_S.size)
        constants = finer if constants is CONSTANTS_S else constants
    excess = max(float(misfit[best]) / max(stop - 3, 1), 1.0)
    weigh = np.exp(-0.5 * (misfit - misfit[best]) / excess)
    weigh /= weigh.sum()
    start, slope = (float(np.sum(weigh * solved[:, k, 0])) for k in range(2))
    inverse = np.linalg.inv(normal[best]) * excess
    spread = [float(np.sqrt(np.sum(weigh * (solved[:, k, 0] - m) ** 2))) for k, m in ((0, start), (1, slope))]
    out["start"][row], out["start_u"][row] = start, float(np.sqrt(inverse[0, 0] + spread[0] ** 2 + zero_u**2))
    out["slope_per_ms"][row] = slope * 1e-3
    out["slope_u_per_ms"][row] = float(np.sqrt(inverse[1, 1] + spread[1] ** 2)) * 1e-3
    log_constant = float(np.sum(weigh * np.log(constants)))
    log_u = float(np.sqrt(np.sum(weigh * (np.log(constants) - log_constant) ** 2)))
    log_u = float(np.hypot(log_u, np.log(constants[1] / constants[0]) / np.sqrt(12.0)))
    if log_u < 0.3:
        out["constant_ms"][row] = np.exp(log_constant) * 1e3
        out["constant_u_ms"][row] = np.exp(log_constant) * log_u * 1e3
    if limited:
        at = constants[best]
        level = float(np.median(mean[flat]))
        share = (level - start) / max(slope * at, 1e-300)
        if 0 < share < 1:
            out["knee_ms"][row] = -at * np.log1p(-share) * 1e3
        peak = max(level, float(mean.max()))
        last_rise = 0.0
    else:
        # The ramp carried on to the switching-off.
        at = constants[best]
        peak = start + slope * at * (1.0 - np.exp(-(off - on) / rate / at))
        last_rise = float(step[-1]) / rate
    out["peak"][row] = peak
    out["peak_u"][row] = float(np.sqrt(excess * noise**2 / size[-1] + zero_u**2 + (0.5 * last_rise) ** 2))
