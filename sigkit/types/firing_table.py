"""The firing table: one row a firing, its columns, their order and their types."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from sigkit.types.measurements import QUANTITIES

#: A table is a mapping of column name to 1-D array, all of one length.
Table = dict[str, NDArray]

#: Fixed part of the firing table, in order (design section 5).
FIRING_COLUMNS = (
    "capture", "channel", "firing", "event", "engine", "coil", "cylinder", "role", "polarity", "time_s",
    "sparked", "coil_on_s", "coil_off_s", "breakdown_s", "burn_end_s", "burn_time_ms",
    "conduction_intervals", "peak_voltage_V", "firing_voltage_V", "burn_voltage_V",
    "burn_slope_V_per_ms", "burn_hash_V", "ring_frequency_Hz", "ring_damping_ratio", "ring_cycles",
    "dwell_time_ms", "engine_speed_rpm", "condition", "condition_probability", "condition_set", "flags",
)
TEXT_COLUMNS = ("capture", "channel", "engine", "coil", "cylinder", "role", "sparked", "condition",
                "condition_set", "flags")
INTEGER_COLUMNS = ("firing", "event", "polarity", "conduction_intervals")

#: Columns of `intervals.parquet`.
INTERVAL_COLUMNS = ("capture", "channel", "firing", "strike", "interval", "start_s", "stop_s", "start_u_s",
                    "stop_u_s")

ROLES = ("power", "waste", "single", "unknown")

#: Conditions of a firing and a lead (design section 4).
CONDITIONS = (
    "normal", "wide_gap", "narrow_gap", "fouled_plug", "open_secondary", "high_resistance", "lean_mixture",
    "low_compression", "low_coil_energy", "shorted_winding", "insulation_leak",
)
LEAD_CONDITIONS = ("reversed_polarity", "missing_firings")
UNKNOWN = "unknown"


def measured_columns() -> tuple[str, ...]:
    """Return the value, uncertainty, interval and flag columns that follow the fixed part."""
    names = [spec.column for spec in QUANTITIES if spec.column not in FIRING_COLUMNS]
    for spec in QUANTITIES:
        names += [spec.u_column, spec.lo_column, spec.hi_column, spec.flag_column]
    return tuple(names)


def all_columns() -> tuple[str, ...]:
    """Return every column of the firing table in order."""
    return FIRING_COLUMNS + measured_columns()


def is_text(column: str) -> bool:
    """Tell whether a column of the firing table holds text."""
    return column in TEXT_COLUMNS or column.endswith("_flag")


def row_count(table: Mapping[str, NDArray]) -> int:
    """Return the number of rows; all columns must agree.

    Raises
    ------
    ValueError
        When the columns differ in length.
    """
    lengths = {len(column) for column in table.values()}
    if len(lengths) > 1:
        raise ValueError(f"columns differ in length: {sorted(lengths)}")
    return lengths.pop() if lengths else 0


def empty_table(n: int = 0) -> Table:
    """Return a firing table of n rows in which everything is missing."""
    table: Table = {}
    for name in all_columns():
        if is_text(name):
            table[name] = np.full(n, "missing:not_judged" if name.endswith("_flag") else "", dtype=object)
        elif name in INTEGER_COLUMNS:
            table[name] = np.zeros(n, dtype=np.int64)
        else:
            table[name] = np.full(n, np.nan)
    return table


def concatenate(tables: list[Table]) -> Table:
    """Stack tables that have the same columns; the first one's order is kept."""
    if not tables:
        return empty_table(0)
    return {name: np.concatenate([table[name] for table in tables]) for name in tables[0]}
