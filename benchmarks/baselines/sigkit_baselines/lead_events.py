"""What the role rivals share: levels by lead and recording, and the other end of each event."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from sigkit.types.capture import Capture
from sigkit.types.firing_table import Table


def shared_leads(table: Table, captures: Sequence[Capture]) -> Iterator[NDArray[np.int64]]:
    """Yield the rows of each lead of a shared coil and recording, in order of sweep and time."""
    lead, shared, take, sweep = _facts(table, captures)
    for one in sorted({(str(take[row]), str(lead[row])) for row in np.flatnonzero(shared)}):
        rows = np.flatnonzero(shared & (take == one[0]) & (lead == one[1]))
        yield rows[np.lexsort((table["time_s"][rows], sweep[rows]))]


def partner_rows(table: Table, captures: Sequence[Capture]) -> NDArray[np.int64]:
    """Return for each row the row of the other end of its coil in the same event, -1 where not recorded."""
    lead, shared, _, _ = _facts(table, captures)
    pairs = {end: pair for one in captures for pair in one.shared_coil_pairs for end in pair}
    at = {(str(table["capture"][r]), int(table["event"][r]), str(lead[r])): int(r) for r in np.flatnonzero(shared)}
    answer = np.full(lead.size, -1, dtype=np.int64)
    for (capture, event, name), row in at.items():
        for other in pairs.get(name, ()):
            if other != name:
                answer[row] = at.get((capture, event, other), -1)
    return answer


def start_roles(table: Table, captures: Sequence[Capture]) -> NDArray:
    """Return ``unknown`` for firings of shared coils and ``single`` for all others."""
    return np.where(_facts(table, captures)[1], "unknown", "single").astype(object)


def level(table: Table, name: str) -> NDArray[np.float64]:
    """Return the magnitude of a level, with the peak where a firing level is missing."""
    values = np.abs(np.asarray(table[name], dtype=float))
    if name == "firing_level":
        values = np.where(np.isfinite(values), values, np.abs(np.asarray(table["peak_level"], dtype=float)))
    return values


def _facts(table: Table, captures: Sequence[Capture]) -> tuple[NDArray, NDArray, NDArray, NDArray]:
    known = {(one.name, channel.name): (one, channel) for one in captures for channel in one.channels}
    found = [known[key] for key in zip(table["capture"], table["channel"], strict=True)]
    lead = np.array([c.lead or c.cylinder or c.name for _, c in found], dtype=object)
    shared = np.array(
        [one.ignition_type == "shared_coil" and c.kind in ("secondary_voltage", "unknown") for one, c in found],
        dtype=bool,
    )
    take = np.array([one.recording or one.name for one, _ in found], dtype=object)
    return lead, shared, take, np.array([one.sweep for one, _ in found], dtype=int)
