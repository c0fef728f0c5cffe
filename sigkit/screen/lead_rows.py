"""The rows of a capture's firing table by lead."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sigkit.report.firing_trace import name_of_lead
from sigkit.report.summarise_leads import flagged, natural_key
from sigkit.types.firing_table import CONDITIONS

#: Kinds of channel whose firings are judged; currents and pulses only tell when.
JUDGED_KINDS = ("secondary_voltage", "primary_voltage", "unknown")
#: Every condition that asks for a look.
SUSPICIOUS = tuple(name for name in CONDITIONS if name != "normal")


@dataclass(frozen=True, eq=False)
class LeadRows:
    """One lead of one capture.

    Attributes
    ----------
    title : str
        Name in words.
    channel, cylinder, coil : str
    rows : ndarray of int
        All its rows, in time order.
    found : ndarray of int
        Rows that are not absent firings.
    """

    title: str
    channel: str
    cylinder: str
    coil: str
    rows: NDArray[np.int64]
    found: NDArray[np.int64]


def leads_of(table: Mapping[str, NDArray]) -> list[LeadRows]:
    """Return the leads of one capture's firing table, in natural order of their names.

    Parameters
    ----------
    table : mapping of str to ndarray
        Firing table of one capture.
    """
    absent = flagged(table, "absent")
    leads = []
    for channel in dict.fromkeys(str(name) for name in table["channel"]):
        rows = np.flatnonzero(table["channel"] == channel)
        rows = rows[np.argsort(table["time_s"][rows], kind="stable")]
        cylinder = next((str(cell) for cell in table["cylinder"][rows] if cell), "")
        coil = next((str(cell) for cell in table["coil"][rows] if cell), "")
        leads.append(
            LeadRows(name_of_lead(cylinder, "", channel), channel, cylinder, coil, rows, rows[~absent[rows]])
        )
    return sorted(leads, key=lambda lead: natural_key(lead.title))
