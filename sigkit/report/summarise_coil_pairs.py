"""One row a shared coil: its two leads beside each other, and whether their burn times agree."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sigkit.report.firing_trace import name_of_lead
from sigkit.report.summarise_leads import MedianReading, flagged, median_reading, natural_key, readings_of


@dataclass(frozen=True)
class CoilPairSummary:
    """The two ends of one shared coil.

    Attributes
    ----------
    engine, coil : str
    leads : tuple of str
        Names in words, natural order.
    events : int
        Events in which both ends have a burn time.
    burn_time : MedianReading
        Of the pair (mean of both ends, ms): one current flows through both gaps, so it belongs to the pair.
    burn_time_difference : MedianReading
        First lead minus second, ms; should be nothing within its uncertainty.
    readings : dict of (str, str) to dict of str to MedianReading
        By (lead in words, ``"power"`` or ``"waste"`` or ``"any"``): voltages and slope belong to the lead.
    """

    engine: str
    coil: str
    leads: tuple[str, str]
    events: int
    burn_time: MedianReading
    burn_time_difference: MedianReading
    readings: dict[tuple[str, str], dict[str, MedianReading]]


def summarise_coil_pairs(table: Mapping[str, NDArray]) -> list[CoilPairSummary]:
    """Summarise the shared coils of a firing table.

    A pair is two leads of one engine that carry the same, non-empty ``coil``; other coils give no row.

    Parameters
    ----------
    table : mapping of str to ndarray
        Firing table.

    Returns
    -------
    list of CoilPairSummary
        In natural order of engine and coil.
    """
    owner = np.where(table["engine"] == "", table["capture"], table["engine"])
    titles = np.array(
        [
            name_of_lead(str(cylinder), "", str(channel))
            for cylinder, channel in zip(table["cylinder"], table["channel"], strict=True)
        ],
        dtype=object,
    )
    absent = flagged(table, "absent")
    coils = {(str(o), str(c)) for o, c in zip(owner, table["coil"], strict=True) if c}
    pairs = []
    for engine, coil in sorted(coils, key=lambda key: (natural_key(key[0]), natural_key(key[1]))):
        rows = np.flatnonzero((owner == engine) & (table["coil"] == coil) & ~absent)
        leads = sorted(set(titles[rows]), key=natural_key)
        if len(leads) == 2:
            pairs.append(_pair(table, rows, titles, engine, coil, (leads[0], leads[1])))
    return pairs


def _pair(
    table: Mapping[str, NDArray],
    rows: NDArray,
    titles: NDArray,
    engine: str,
    coil: str,
    leads: tuple[str, str],
) -> CoilPairSummary:
    by_event: dict[tuple[str, int], dict[str, int]] = {}
    for row in rows:
        if np.isfinite(table["burn_time_ms"][row]):
            by_event.setdefault((str(table["capture"][row]), int(table["event"][row])), {})[titles[row]] = (
                int(row)
            )
    both = [(ends[leads[0]], ends[leads[1]]) for ends in by_event.values() if set(leads) <= set(ends)]
    first = np.array([pair[0] for pair in both], dtype=int)
    second = np.array([pair[1] for pair in both], dtype=int)
    burn, u = table["burn_time_ms"], table["burn_time_u_ms"]
    u_pair = np.hypot(u[first], u[second])
    readings = {}
    for lead in leads:
        mine = rows[titles[rows] == lead]
        for role in ("power", "waste"):
            chosen = mine[table["role"][mine] == role]
            if len(chosen):
                readings[lead, role] = readings_of(table, chosen)
        if (lead, "power") not in readings and (lead, "waste") not in readings:
            readings[lead, "any"] = readings_of(table, mine)
    return CoilPairSummary(
        engine=str(table["engine"][rows[0]]),
        coil=coil,
        leads=leads,
        events=len(both),
        burn_time=median_reading(0.5 * (burn[first] + burn[second]), 0.5 * u_pair),
        burn_time_difference=median_reading(burn[first] - burn[second], u_pair),
        readings=readings,
    )
