"""One firing, thinned for drawing: a few hundred points, its instants and its row of the firing table."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sigkit.types.capture import Capture
from sigkit.types.channel import Channel
from sigkit.types.instants import INSTANT_NAMES

#: Points kept of one firing (pairs of lowest and highest); a picture is 840 dots wide. Our choice.
POINTS = 600
#: What is shown before the first and after the last instant of a firing, ms. Our choice.
LEAD_IN_MS, RING_MS = 0.4, 2.5
#: How far from the breakdown the tip of the drawn firing line is looked for, ms. Our choice.
TIP_MS = 0.05
#: Longest stretch shown before the switching-off, and after it where no burn end is known, ms. Our choice.
LONGEST_DWELL_MS, UNKNOWN_END_MS = 12.0, 4.0


@dataclass(frozen=True, eq=False)
class FiringTrace:
    """One firing as pictures need it. Times are in ms from ``origin_s``; values in ``unit``.

    Attributes
    ----------
    capture, channel, lead, cylinder, coil : str
    firing : int
        Number within the channel, counted as the firing table does.
    origin_s : float
        Instant that is 0 ms, on the capture's own axis, seconds: coil off, else breakdown, else ``time_s``.
    time_ms, value : ndarray of float32, shape (m,)
    unit : str
        ``"kV"`` where the pickup ratio is known, ``"V"`` at the pickup, ``""`` for stored units.
    instants_ms : dict of str to tuple of float
        Instant name to (value, lower, upper end of its 95 % interval); missing instants are left out.
    row : dict
        The firing's row of the firing table.
    kilo_ratio : float
        Factor from the table's volts to ``unit``.
    intervals_ms : tuple of tuple of float
        Conduction intervals, begin and end.
    """

    capture: str
    channel: str
    lead: str
    cylinder: str
    coil: str
    firing: int
    origin_s: float
    time_ms: NDArray[np.float32]
    value: NDArray[np.float32]
    unit: str
    instants_ms: dict[str, tuple[float, float, float]]
    row: dict[str, Any]
    kilo_ratio: float = 1.0
    intervals_ms: tuple[tuple[float, float], ...] = field(default=())

    @property
    def title(self) -> str:
        """Name of the lead in words: cylinder, else lead, else channel."""
        return name_of_lead(self.cylinder, self.lead, self.channel)

    @property
    def absent(self) -> bool:
        """Whether the firing was expected and not found."""
        return "absent" in str(self.row.get("flags", "")).split()

    def value_at(self, time_ms: float) -> float:
        """Return the drawn value nearest to a time, in ``unit``; NaN outside the trace."""
        if not len(self.time_ms) or not self.time_ms[0] <= time_ms <= self.time_ms[-1]:
            return float("nan")
        return float(np.interp(time_ms, self.time_ms, self.value))

    def mark_height(self, instant: str) -> float:
        """Return where an instant's mark sits, in ``unit``.

        The breakdown sits at the tip of the drawn firing line (the firing voltage itself counts from the
        baseline and may be a bound); the switching-off just before its steep edge, where a shift of one
        sample does not move the mark by kilovolts.
        """
        at = self.instants_ms[instant][0]
        if instant == "breakdown":
            near = self.value[np.abs(self.time_ms - at) <= TIP_MS]
            sign = np.sign(float(self.row.get("polarity", 0)) * self.kilo_ratio)
            if len(near) and sign:
                return float(near.max() if sign > 0 else near.min())
        before = self.time_ms[self.time_ms < at - 0.01]
        return self.value_at(float(before[-1])) if instant == "coil_off" and len(before) else self.value_at(at)


def name_of_lead(cylinder: str, lead: str, channel: str) -> str:
    """Return what a lead is called in the report: its cylinder, else its lead, else its channel.

    Examples
    --------
    >>> name_of_lead("3", "", "a"), name_of_lead("", "2", "a"), name_of_lead("", "", "a")
    ('cylinder 3', 'lead 2', 'channel a')
    """
    if cylinder:
        return f"cylinder {cylinder}"
    return f"lead {lead}" if lead else f"channel {channel}"


def thin_samples(values: NDArray, points: int = POINTS) -> tuple[NDArray[np.int64], NDArray[np.float32]]:
    """Keep the lowest and the highest sample of each of ``points // 2`` equal stretches, in time order.

    Parameters
    ----------
    values : ndarray of float, shape (n,)
    points : int
        Upper limit of what is kept, 2 or more.

    Returns
    -------
    index : ndarray of int64, shape (m,)
        Sample numbers kept, growing.
    kept : ndarray of float32, shape (m,)

    Examples
    --------
    >>> index, kept = thin_samples(np.array([0, 5, 1, -3, 0, 0.0]), 2)
    >>> index.tolist(), kept.tolist()
    ([1, 3], [5.0, -3.0])
    """
    n = len(values)
    if n <= points:
        return np.arange(n), np.asarray(values, dtype=np.float32)
    edges = np.linspace(0, n, points // 2 + 1).astype(np.int64)
    width = int(np.max(np.diff(edges)))
    # Every stretch is padded by repeating its last sample, so one reshape-free pass handles all of them.
    take = np.minimum(edges[:-1, None] + np.arange(width)[None, :], edges[1:, None] - 1)
    block = np.asarray(values)[take]
    rows = np.arange(len(take))
    both = np.concatenate([take[rows, block.argmin(axis=1)], take[rows, block.argmax(axis=1)]])
    index = np.unique(both)
    return index, np.asarray(values, dtype=np.float32)[index]


def display_scale(channel: Channel) -> tuple[float, str]:
    """Return factor and unit in which a channel is shown: kV at the lead only where the ratio is known."""
    if channel.unit == "V" and channel.pickup_ratio:
        return channel.pickup_ratio / 1000.0, "kV"
    return 1.0, channel.unit


def cut_traces(
    capture: Capture,
    table: Mapping[str, NDArray],
    rows: Sequence[int] | NDArray,
    intervals: Mapping[str, NDArray] | None = None,
    points: int = POINTS,
) -> list[FiringTrace]:
    """Cut the firings of some rows of a firing table out of their capture.

    Parameters
    ----------
    capture : Capture
        The recording the rows were measured on.
    table : mapping of str to ndarray
        Firing table (`sigkit.types.firing_table`).
    rows : sequence of int
        Rows of the table, all of ``capture``.
    intervals : mapping of str to ndarray, optional
        Conduction intervals (columns `INTERVAL_COLUMNS`).
    points : int
        Points kept of each firing.

    Returns
    -------
    list of FiringTrace
        In the order of ``rows``. A firing whose window holds no sample has an empty trace.

    Raises
    ------
    KeyError
        When a row names a channel the capture does not have.
    """
    channels = {channel.name: channel for channel in capture.channels}
    return [_cut(channels[str(table["channel"][row])], table, int(row), intervals, points) for row in rows]


def _cut(
    channel: Channel, table: Mapping[str, NDArray], row: int, intervals: Any, points: int
) -> FiringTrace:
    cells = {name: column[row] for name, column in table.items()}
    seconds = {name: _instant(cells, name) for name in INSTANT_NAMES}
    known = {name: triple for name, triple in seconds.items() if np.isfinite(triple[0])}
    origin_s = next((known[name][0] for name in ("coil_off", "breakdown") if name in known), cells["time_s"])
    first_s = min([triple[0] for triple in known.values()] + [origin_s])
    begin_s = max(first_s, origin_s - LONGEST_DWELL_MS / 1e3) - LEAD_IN_MS / 1e3
    after_ms = RING_MS if "burn_end" in known else UNKNOWN_END_MS
    end_s = max([triple[0] for triple in known.values()] + [origin_s]) + after_ms / 1e3
    rate = channel.sample_rate_Hz
    start = int(np.clip(np.floor((begin_s - channel.start_s) * rate), 0, len(channel)))
    stop = int(np.clip(np.ceil((end_s - channel.start_s) * rate) + 1, start, len(channel)))
    index, value = thin_samples(channel.values(start, stop), points)
    factor, unit = display_scale(channel)
    return FiringTrace(
        capture=str(cells["capture"]),
        channel=channel.name,
        lead=channel.lead,
        cylinder=str(cells.get("cylinder", "") or channel.cylinder),
        coil=str(cells.get("coil", "") or channel.coil),
        firing=int(cells["firing"]),
        origin_s=float(origin_s),
        time_ms=(((index + start) / rate + channel.start_s - origin_s) * 1e3).astype(np.float32),
        value=(value * np.float32(factor)).astype(np.float32),
        unit=unit,
        instants_ms={name: _ms(triple, origin_s) for name, triple in known.items()},
        row=cells,
        kilo_ratio=factor,
        intervals_ms=_intervals_ms(cells, intervals, origin_s),
    )


def _ms(triple: tuple[float, float, float], origin_s: float) -> tuple[float, float, float]:
    value, lo, hi = ((part - origin_s) * 1e3 for part in triple)
    return float(value), float(lo), float(hi)


def _instant(cells: Mapping[str, Any], name: str) -> tuple[float, float, float]:
    value, low, high = (float(cells.get(f"{name}{part}_s", np.nan)) for part in ("", "_lo", "_hi"))
    return value, low, high


def _intervals_ms(
    cells: Mapping[str, Any], intervals: Any, origin_s: float
) -> tuple[tuple[float, float], ...]:
    if intervals is None or not len(intervals["firing"]):
        return ()
    mine = (
        (intervals["capture"] == cells["capture"])
        & (intervals["channel"] == cells["channel"])
        & (intervals["firing"] == cells["firing"])
    )
    pairs = zip(intervals["start_s"][mine], intervals["stop_s"][mine], strict=True)
    return tuple((float(a - origin_s) * 1e3, float(b - origin_s) * 1e3) for a, b in pairs)
