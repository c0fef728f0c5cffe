"""From a table of single firings to firings in context: role, coil, polarity by lead, speed, siblings."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from sigkit.context.absent_firings import absent_times
from sigkit.context.assign_roles import assign_roles
from sigkit.context.capture_info import CaptureInfo, ChannelInfo
from sigkit.context.revolution_period import local_periods
from sigkit.context.siblings import add_siblings
from sigkit.types.firing_table import Table, is_text, row_count
from sigkit.types.flags import missing

#: Channels that show a lead.
LEAD_KINDS = ("secondary_voltage", "unknown", "primary_voltage")


def apply_context(table: Table, captures: Sequence[CaptureInfo]) -> Table:
    """Set the firings of one engine in context.

    Parameters
    ----------
    table : Table
        Rows of all captures of one engine, from `sigkit.measure`.
    captures : sequence of CaptureInfo
        The captures the rows come from.

    Returns
    -------
    Table
        With role, coil, cylinder, engine speed and polarity by lead filled in, a row for each expected but
        absent firing, and further columns: ``polarity_detected``, ``lead``, ``role_probability``, the
        columns of `sigkit.context.siblings.sibling_columns`. Rows are ordered by capture, channel and time.
    """
    table = {name: column.copy() for name, column in table.items()}
    table["polarity_detected"] = table["polarity"].copy()
    known = {(info.name, channel.name): (info, channel) for info in captures for channel in info.channels}
    keys = list(zip(table["capture"], table["channel"], strict=True))
    lead = np.array([_lead(known[key][1]) if key in known else key[1] for key in keys], dtype=object)
    kind = np.array([known[key][1].kind if key in known else "unknown" for key in keys], dtype=object)
    table["lead"] = lead
    _polarity_by_lead(table, lead, kind)
    table["role"], table["role_probability"] = assign_roles(table, lead, captures)
    table = _add_absent(table, captures)
    _speed(table, captures)
    order = np.lexsort((table["time_s"], table["channel"].astype(str), table["capture"].astype(str)))
    table = {name: column[order] for name, column in table.items()}
    return _siblings(table, known)


def _lead(channel: ChannelInfo) -> str:
    return channel.lead or channel.cylinder or channel.name


def _polarity_by_lead(table: Table, lead: NDArray, kind: NDArray) -> None:
    """A lead has one polarity: the majority of its firings over all captures."""
    for name in set(lead):
        for one in LEAD_KINDS:
            rows = np.flatnonzero((lead == name) & (kind == one))
            total = int(table["polarity_detected"][rows].sum())
            if total:
                table["polarity"][rows] = 1 if total > 0 else -1


def _add_absent(table: Table, captures: Sequence[CaptureInfo]) -> Table:
    """Add a row for each firing that the rhythm of a lead asks for and the record does not show."""
    extra: list[dict[str, object]] = []
    for info in captures:
        for channel in info.channels:
            if channel.kind not in LEAD_KINDS:
                continue
            rows = np.flatnonzero((table["capture"] == info.name) & (table["channel"] == channel.name))
            if rows.size == 0:
                continue
            times = np.sort(table["time_s"][rows])
            for time_s in absent_times(times, channel.start_s, channel.stop_s):
                extra.append({"row": rows[0], "time_s": time_s})
    if not extra:
        return table
    source = np.array([one["row"] for one in extra])
    result = {}
    for name, column in table.items():
        added = column[source].copy()
        if name.endswith("_flag"):
            added[:] = missing("absent")
        elif name == "sparked":
            added[:] = "unknown"
        elif name == "flags":
            added[:] = "absent"
        elif name == "time_s":
            added = np.array([one["time_s"] for one in extra], dtype=float)
        elif name in ("firing", "event"):
            added[:] = -1
        elif name in ("condition", "role"):
            added[:] = "unknown" if name == "condition" else np.where(column[source] == "single", "single", "unknown")
        elif name == "conduction_intervals":
            added[:] = 0
        elif not is_text(name) and added.dtype.kind == "f" and name not in ("sample_rate_Hz", "pickup_ratio"):
            added[:] = np.nan
        result[name] = np.concatenate([column, added])
    return result


def _speed(table: Table, captures: Sequence[CaptureInfo]) -> None:
    """Local engine speed from the firings of each lead; what the file says stays where they tell nothing."""
    for info in captures:
        for channel in info.channels:
            rows = np.flatnonzero((table["capture"] == info.name) & (table["channel"] == channel.name))
            real = rows[table["firing"][rows] >= 0]
            if real.size < 2:
                continue
            order = np.argsort(table["time_s"][real], kind="stable")
            real = real[order]
            times = table["time_s"][real]
            turns = 2.0 if (table["role"][real] == "single").mean() > 0.5 else 1.0
            period = local_periods(times, 2, 2)
            known = np.isfinite(period)
            table["engine_speed_rpm"][real[known]] = 60.0 * turns / period[known]


def _siblings(table: Table, known: dict[tuple[str, str], tuple[CaptureInfo, ChannelInfo]]) -> Table:
    count = row_count(table)
    if count == 0:
        return add_siblings(table, table["lead"])
    kind = table["channel_kind"]
    result: Table = {}
    parts = []
    for one in sorted(set(kind)):
        rows = np.flatnonzero(kind == one)
        parts.append((rows, add_siblings({n: c[rows] for n, c in table.items()}, table["lead"][rows])))
    for name in parts[0][1]:
        column = np.empty(count, dtype=parts[0][1][name].dtype)
        for rows, part in parts:
            column[rows] = part[name]
        result[name] = column
    return result
