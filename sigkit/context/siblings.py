"""Compare each firing with its lead's usual and with the sibling leads of the same engine and role."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sigkit.types.firing_table import Table

#: Column of the table -> short name in the columns added; magnitudes are compared.
COMPARED = {
    "peak_level": "peak", "firing_level": "firing", "burn_level": "burn", "burn_time_ms": "burn_time",
    "burn_slope_level_per_ms": "slope", "burn_hash_level": "hash", "ring_frequency_Hz": "ring_frequency",
    "ring_damping_ratio": "ring_damping", "dwell_time_ms": "dwell",
}  # fmt: skip


def sibling_columns() -> tuple[str, ...]:
    """Return the names of the columns that `add_siblings` adds."""
    names = []
    for short in COMPARED.values():
        names += [f"{short}_to_siblings", f"{short}_scatter"]
    return tuple(names)


def add_siblings(table: Table, lead: NDArray) -> Table:
    """Add ratio to the siblings' median, and relative scatter within the lead.

    Parameters
    ----------
    table : Table
        Rows of one engine and one kind of channel.
    lead : ndarray of str, shape (n,)
        Lead of each row.

    Returns
    -------
    Table
        With ``<quantity>_to_siblings`` (1 where the lead is like the others; NaN without siblings) and
        ``<quantity>_scatter`` (robust standard deviation over median within the lead and role).
    """
    result = dict(table)
    role = table["role"]
    groups = sorted({(str(a), str(b)) for a, b in zip(lead, role, strict=True)})
    members = {g: np.flatnonzero((lead == g[0]) & (role == g[1])) for g in groups}
    for column, short in COMPARED.items():
        ratio = np.full(lead.size, np.nan)
        scatter = np.full(lead.size, np.nan)
        if column in table:
            size = np.abs(np.asarray(table[column], dtype=float))
            usual = {g: _median(size[rows]) for g, rows in members.items()}
            for g, rows in members.items():
                others = [usual[o] for o in groups if o[1] == g[1] and o[0] != g[0] and np.isfinite(usual[o])]
                reference = float(np.median(others)) if others else np.nan
                if reference > 0:
                    ratio[rows] = size[rows] / reference
                if usual[g] > 0:
                    scatter[rows] = 1.4826 * _median(np.abs(size[rows] - usual[g])) / usual[g]
        result[f"{short}_to_siblings"], result[f"{short}_scatter"] = ratio, scatter
    return result


def _median(values: NDArray) -> float:
    known = values[np.isfinite(values)]
    return float(np.median(known)) if known.size else float("nan")
