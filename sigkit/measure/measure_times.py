"""Instants in seconds, burn time, conduction time and dwell time."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sigkit.types.channel import Channel
from sigkit.types.flags import OK, missing
from sigkit.types.instants import INSTANT_NAMES, Instant, Instants
from sigkit.types.measurements import Column
from sigkit.units import seconds_from_samples


def measure_times(channel: Channel, instants: Instants) -> dict[str, Column]:
    """Return the columns that need the instants only.

    The uncertainty of a difference is the root of the sum of squares of both instants', less twice their covariance
    (JCGM 100:2008, 5.2.2; independent unless the instants say what they have in common), its interval the same of the
    distances to their own limits.
    The two share one clock, whose error over milliseconds is negligible (20 ppm of 2 ms is 0.04 us).

    Parameters
    ----------
    channel : Channel
    instants : Instants

    Returns
    -------
    dict of str to Column
        ``coil_on``, ``coil_off``, ``breakdown``, ``burn_end`` (seconds), ``burn_time``,
        ``conduction_time``, ``dwell_time`` (milliseconds).
    """
    rate, start = channel.sample_rate_Hz, channel.start_s
    columns = {}
    for name in INSTANT_NAMES:
        found: Instant = getattr(instants, name)
        value, lo, hi = (seconds_from_samples(a, rate, start) for a in (found.position, found.lo, found.hi))
        columns[name] = Column(value, found.u / rate, lo, hi, _flag(found, instants, name))
    dark = instants.sparked == "no"
    columns["burn_time"] = _difference(instants.breakdown, instants.burn_end, rate, instants.in_common)
    columns["dwell_time"] = _difference(instants.coil_on, instants.coil_off, rate)
    burn = columns["burn_time"]
    burn.flag = np.where(dark & ~np.isfinite(burn.value), missing("no_spark"), burn.flag)
    columns["conduction_time"] = _conduction(instants, burn, rate)
    return columns


def _flag(found: Instant, instants: Instants, name: str) -> NDArray:
    """Return the flags, with a reason for every missing value."""
    flag = found.flag.astype(object)
    lost = ~np.isfinite(found.position)
    silent = lost & ~np.char.startswith(flag.astype(str), "missing:")
    dark = (instants.sparked == "no") & (name in ("breakdown", "burn_end"))
    return np.where(silent, np.where(dark, missing("no_spark"), missing("not_judged")), flag)


def _difference(first: Instant, second: Instant, rate_Hz: float, in_common: float = 0.0) -> Column:
    scale = 1e3 / rate_Hz

    def spread(one: NDArray, other: NDArray) -> NDArray:
        return np.sqrt(one**2 + other**2 - 2.0 * in_common * np.minimum(one, other) ** 2) * scale

    value = (second.position - first.position) * scale
    u = spread(first.u, second.u)
    below = spread(second.position - second.lo, first.hi - first.position)
    above = spread(second.hi - second.position, first.position - first.lo)
    # Where a placer states no interval of its own, the normal one stands in.
    below = np.where(np.isfinite(below), below, 1.96 * u)
    above = np.where(np.isfinite(above), above, 1.96 * u)
    flag = np.full(len(value), OK, dtype=object)
    for instant in (first, second):
        lost = ~np.isfinite(instant.position)
        reason = np.where(np.char.startswith(instant.flag.astype(str), "missing:"), instant.flag, missing("not_judged"))
        flag = np.where(lost, reason, flag)
    return Column(value, u, value - below, value + above, flag)


def _conduction(instants: Instants, burn: Column, rate_Hz: float) -> Column:
    """Sum the conduction intervals of the first discharge; where none are listed, the burn is one."""
    n = len(instants)
    listed = instants.intervals
    own = (listed.strike == 0) & np.isfinite(listed.start) & np.isfinite(listed.stop)
    row = listed.firing[own]
    total = np.bincount(row, weights=(listed.stop - listed.start)[own], minlength=n)[:n] * 1e3 / rate_Hz
    square = np.nan_to_num(listed.start_u[own]) ** 2 + np.nan_to_num(listed.stop_u[own]) ** 2
    u = np.sqrt(np.bincount(row, weights=square, minlength=n)[:n]) * 1e3 / rate_Hz
    pieces = np.bincount(row, minlength=n)[:n]
    single = (pieces <= 1) & np.isfinite(burn.value)
    value = np.where(single, burn.value, np.where(pieces > 0, total, np.nan))
    value = np.where(np.isfinite(burn.value), value, np.nan)
    u = np.where(single, burn.u, u) + np.where(np.isfinite(value), 0.0, np.nan)
    column = Column.of(value, u, burn.flag.copy())
    column.lo = np.where(single, burn.lo, column.lo)
    column.hi = np.where(single, burn.hi, column.hi)
    return column
