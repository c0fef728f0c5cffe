"""Lead-level verdicts that single firings cannot give."""

from __future__ import annotations

import numpy as np

from sigkit.types.firing_table import Table


def reversed_channels(table: Table) -> frozenset[tuple[str, str]]:
    """Return (capture, channel) of leads whose polarity is against that of their siblings.

    On engines with a coil on each plug all leads have one polarity: with at least three leads recorded, one
    that differs from all others is reversed. On shared coils both polarities are normal, one an end, so
    nothing is said.

    Parameters
    ----------
    table : Table
        Rows of one engine, in context.
    """
    secondary = (table["channel_kind"] == "secondary_voltage") & (table["role"] == "single") & (table["polarity"] != 0)
    signs: dict[str, int] = {}
    for lead in sorted({str(x) for x in table["lead"][secondary]}):
        rows = secondary & (table["lead"] == lead)
        signs[lead] = int(np.sign(table["polarity"][rows].sum()))
    if len(signs) < 3:
        return frozenset()
    odd = [lead for lead, sign in signs.items() if sum(other == sign for other in signs.values()) == 1]
    if len(odd) != 1:
        return frozenset()
    rows = np.flatnonzero(secondary & (table["lead"] == odd[0]))
    return frozenset((str(table["capture"][r]), str(table["channel"][r])) for r in rows)
