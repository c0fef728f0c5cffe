"""Which leads share a coil: from sidecar or profile where they say so, else from the record."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from sigkit.context.capture_info import CaptureInfo
from sigkit.types.firing_table import Table

#: Share of a lead's events that another lead must share to be its partner (our choice).
TOGETHER = 0.7
#: A lead alone alternates when neighbouring firing levels differ by at least this in the logarithm, up
#: and down in turn, over this many firings (our choice).
ALTERNATION = 0.35
FEWEST = 5


def coil_partners(table: Table, lead: NDArray, captures: Sequence[CaptureInfo]) -> dict[str, str | None]:
    """Return the partner of each lead.

    Returns
    -------
    dict of str to (str or None)
        The other lead of a shared coil, ``""`` for a shared coil whose other lead is not known or not
        recorded, None for a coil of its own.
    """
    types = {info.ignition_type for info in captures if info.ignition_type}
    pairs = {member: pair for info in captures for pair in info.shared_coil_pairs for member in pair}
    coils: dict[str, set[str]] = {}
    for info in captures:
        for channel in info.channels:
            if channel.coil and channel.kind in ("secondary_voltage", "unknown"):
                name = channel.lead or channel.cylinder or channel.name
                coils.setdefault(channel.coil, set()).add(name)
    together = _together(table, lead)
    result: dict[str, str | None] = {}
    for name in sorted({str(x) for x in lead}):
        others = [m for m in pairs.get(name, ()) if m != name]
        same = [m for group in coils.values() if name in group for m in group if m != name]
        if others:
            result[name] = others[0]
        elif "shared_coil" in types:
            result[name] = same[0] if same else together.get(name, "")
        elif types:
            result[name] = None
        elif same:
            result[name] = same[0]
        elif name in together:
            result[name] = together[name]
        else:
            result[name] = "" if _alternates(table, lead, name) else None
    return result


def _together(table: Table, lead: NDArray) -> dict[str, str]:
    """Leads whose events fall together with one other lead's."""
    secondary = np.isin(table["channel_kind"], ("secondary_voltage", "unknown"))
    at: dict[tuple[str, int], set[str]] = {}
    for row in np.flatnonzero(secondary):
        at.setdefault((str(table["capture"][row]), int(table["event"][row])), set()).add(str(lead[row]))
    events: Counter[str] = Counter()
    joint: Counter[tuple[str, str]] = Counter()
    for members in at.values():
        for one in members:
            events[one] += 1
            for other in members:
                if other != one and len(members) == 2:
                    joint[one, other] += 1
    best: dict[str, str] = {}
    for (one, other), count in joint.most_common():
        if one not in best and count >= TOGETHER * events[one] and count >= TOGETHER * events[other]:
            best[one] = other
    return best


def _alternates(table: Table, lead: NDArray, name: str) -> bool:
    """Whether the firing level of a lead goes up and down in turn, as power and waste sparks do."""
    hits = total = 0
    for capture in set(table["capture"][lead == name]):
        rows = np.flatnonzero((lead == name) & (table["capture"] == capture))
        rows = rows[np.argsort(table["time_s"][rows], kind="stable")]
        level = np.abs(np.asarray(table["peak_level"][rows], dtype=float))
        level = level[np.isfinite(level) & (level > 0)]
        if level.size < FEWEST:
            continue
        steps = np.diff(np.log(level))
        turns = np.sign(steps[1:]) != np.sign(steps[:-1])
        hits += int(np.sum(turns & (np.minimum(np.abs(steps[1:]), np.abs(steps[:-1])) > ALTERNATION)))
        total += turns.size
    return total >= FEWEST - 2 and hits >= 0.8 * total
