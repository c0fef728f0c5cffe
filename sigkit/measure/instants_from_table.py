"""Turn a table of instants in seconds (hand, rival, truth) into `Instants` and windows."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from sigkit.types.channel import Channel
from sigkit.types.firings import Firings
from sigkit.types.flags import OK, missing
from sigkit.types.instants import INSTANT_NAMES, Instant, Instants, Intervals
from sigkit.units import samples_from_seconds

#: Conduction shorter than this is a flash (design section 3, our choice), seconds.
FLASH_S = 0.05e-3
#: A window reaches this far beyond the instants, seconds (our choice: baseline before, ring after).
BEFORE_S, AFTER_S, LONGEST_DWELL_S = 1.5e-3, 6e-3, 8e-3


def instants_from_table(
    channel: Channel,
    table: Mapping[str, NDArray],
    resolution_s: float = 0.0,
    intervals: Mapping[str, NDArray] | None = None,
) -> Instants:
    """Convert instants on the capture's time axis to sample positions of a channel.

    Parameters
    ----------
    channel : Channel
    table : mapping of str to ndarray, shape (n,)
        ``coil_on_s``, ``coil_off_s``, ``breakdown_s``, ``burn_end_s`` (seconds, NaN or absent where not
        placed); optional ``<instant>_u_s``, ``<instant>_lo_s``, ``<instant>_hi_s``, ``<instant>_flag`` and
        ``sparked``. Rows in time order.
    resolution_s : float
        Smallest step of the placing (pixel, cursor step, decimals), seconds: its rectangular uncertainty
        resolution/sqrt(12) (JCGM 100:2008, F.2.2.1) stands in where the table gives no ``_u_s``.
    intervals : mapping, optional
        ``firing`` (row number), ``start_s``, ``stop_s`` and, optional, ``strike``, ``start_u_s``, ``stop_u_s``.
        Without it every burn is one interval.

    Returns
    -------
    Instants

    Raises
    ------
    ValueError
        When columns differ in length, or none of the four instants is there.

    Examples
    --------
    >>> channel = Channel("1", np.zeros(1000), 1e6, start_s=-1e-4)
    >>> got = instants_from_table(channel, {"breakdown_s": np.array([0.0]), "burn_end_s": np.array([5e-4])})
    >>> float(got.breakdown.position[0]), str(got.sparked[0]), str(got.coil_on.flag[0])
    (100.0, 'yes', 'missing:not_judged')
    """
    present = [name for name in INSTANT_NAMES if f"{name}_s" in table]
    if not present:
        raise ValueError(f"channel {channel.name}: expected at least one of the columns "
                         + ", ".join(f"{name}_s" for name in INSTANT_NAMES))
    lengths = {len(np.atleast_1d(table[f"{name}_s"])) for name in present}
    if len(lengths) > 1:
        raise ValueError(f"channel {channel.name}: columns of instants differ in length: {sorted(lengths)}")
    n = lengths.pop()
    found = {name: _instant(channel, table, name, n, resolution_s) for name in INSTANT_NAMES}
    breakdown, burn_end = found["breakdown"].position, found["burn_end"].position
    if "sparked" in table:
        sparked = np.asarray(table["sparked"], dtype=object)
    else:
        with np.errstate(invalid="ignore"):
            short = burn_end - breakdown < FLASH_S * channel.sample_rate_Hz
        sparked = np.where(np.isfinite(breakdown), np.where(short, "flash", "yes"), "unknown").astype(object)
    for name in ("breakdown", "burn_end"):
        flag = found[name].flag
        flag[(sparked == "no") & ~np.isfinite(found[name].position)] = missing("no_spark")
    return Instants(
        channel.name, found["coil_on"], found["coil_off"], found["breakdown"], found["burn_end"], sparked,
        _intervals(channel, found, intervals),
    )  # fmt: skip


def firings_from_instants(
    channel: Channel, instants: Instants, polarity: NDArray | None = None, event: NDArray | None = None
) -> Firings:
    """Make windows for placed instants.

    Parameters
    ----------
    channel : Channel
    instants : Instants
        Each row needs one instant at least.
    polarity, event : ndarray of int, shape (n,), optional
        Sign of the firing line (0: to be told from the peak) and event numbers (counted when not given).

    Returns
    -------
    Firings

    Raises
    ------
    ValueError
        When a row has no instant.
    """
    rate, n = channel.sample_rate_Hz, len(instants)
    stack = np.stack([getattr(instants, name).position for name in INSTANT_NAMES])
    empty = ~np.isfinite(stack).any(axis=0)
    if empty.any():
        raise ValueError(f"channel {channel.name}: row {int(np.flatnonzero(empty)[0])} has no instant at all")
    first, last = np.nanmin(stack, axis=0), np.nanmax(stack, axis=0)
    off = np.where(np.isfinite(stack[1]), stack[1], np.where(np.isfinite(stack[2]), stack[2], first))
    begin = np.where(np.isfinite(stack[0]), first, off - LONGEST_DWELL_S * rate) - BEFORE_S * rate
    limit = max(len(channel) - 1, 0)
    return Firings(
        channel.name,
        position=np.clip(np.rint(off), 0, limit).astype(np.int64),
        start=np.clip(np.floor(begin), 0, limit).astype(np.int64),
        stop=np.clip(np.ceil(last + AFTER_S * rate), 0, len(channel)).astype(np.int64),
        polarity=np.zeros(n, np.int8) if polarity is None else np.asarray(polarity).astype(np.int8),
        event=np.arange(n, dtype=np.int64) if event is None else np.asarray(event).astype(np.int64),
    )


def _instant(channel: Channel, table: Mapping[str, NDArray], name: str, n: int, resolution_s: float) -> Instant:
    rate, start = channel.sample_rate_Hz, channel.start_s
    value = np.asarray(table.get(f"{name}_s", np.full(n, np.nan)), dtype=float)
    position = np.asarray(samples_from_seconds(value, rate, start), dtype=float)
    u = np.asarray(table.get(f"{name}_u_s", np.full(n, np.nan)), dtype=float) * rate
    u = np.where(np.isfinite(u), u, resolution_s * rate / np.sqrt(12.0))
    u = np.where(np.isfinite(position), u, np.nan)
    limits = []
    for side, factor in (("lo", -1.96), ("hi", 1.96)):
        given = np.asarray(table.get(f"{name}_{side}_s", np.full(n, np.nan)), dtype=float)
        given = np.asarray(samples_from_seconds(given, rate, start), dtype=float)
        limits.append(np.where(np.isfinite(given), given, position + factor * u))
    flag = np.where(np.isfinite(position), OK, missing("not_judged")).astype(object)
    if f"{name}_flag" in table:
        given_flag = np.asarray(table[f"{name}_flag"], dtype=object)
        flag = np.where(np.isfinite(position) | (given_flag == OK), flag, given_flag)
    return Instant(position, u, limits[0], limits[1], flag)


def _intervals(channel: Channel, found: dict[str, Instant], given: Mapping[str, NDArray] | None) -> Intervals:
    if given is None:
        breakdown, end = found["breakdown"], found["burn_end"]
        rows = np.flatnonzero(np.isfinite(breakdown.position) & np.isfinite(end.position))
        return Intervals(rows.astype(np.int64), breakdown.position[rows], end.position[rows], breakdown.u[rows],
                         end.u[rows], np.zeros(len(rows), dtype=np.int64))
    rate, start = channel.sample_rate_Hz, channel.start_s
    firing = np.asarray(given["firing"], dtype=np.int64)
    nothing = np.zeros(len(firing))
    return Intervals(
        firing,
        np.asarray(samples_from_seconds(given["start_s"], rate, start), dtype=float),
        np.asarray(samples_from_seconds(given["stop_s"], rate, start), dtype=float),
        np.asarray(given.get("start_u_s", nothing), dtype=float) * rate,
        np.asarray(given.get("stop_u_s", nothing), dtype=float) * rate,
        np.asarray(given.get("strike", nothing), dtype=np.int64),
    )
