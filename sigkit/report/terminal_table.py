"""Measured firings as a table for the terminal."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sigkit.report.condition_words import condition_in_words
from sigkit.report.firing_trace import name_of_lead
from sigkit.report.format_value import NOTHING, format_value
from sigkit.types.flags import FIRING_FLAGS, MISSING_REASONS
from sigkit.types.measurements import QUANTITY

#: Quantity -> heading; the unit stands in the heading, so cells stay narrow.
HEADINGS = {
    "firing_voltage": "firing V",
    "burn_time": "burn ms",
    "burn_voltage": "burn V",
    "burn_slope": "slope V/ms",
    "ring_cycles": "ring cycles",
    "dwell_time": "dwell ms",
}


def terminal_table(table: Mapping[str, NDArray], title: str = "", with_conditions: bool = False) -> Any:
    """Return the firings of a table as a `rich` table, one row a firing.

    Values stand with the half-width of their 95 % interval; ``≥`` marks a lower bound and ``–`` a missing
    value, whose reason is told by `footnotes`.

    Parameters
    ----------
    table : mapping of str to ndarray
        Firing table.
    title : str
    with_conditions : bool
        Add the suggested condition and its probability.

    Returns
    -------
    rich.table.Table
    """
    from rich.box import SIMPLE_HEAD
    from rich.table import Table
    from rich.text import Text

    # Text objects throughout: names from files may hold what rich would take for markup.
    shown = Table(title=Text(title) if title else None, box=SIMPLE_HEAD, title_justify="left", pad_edge=False)
    for heading in ("lead", "no.", "time s", "spark"):
        shown.add_column(heading, justify="right" if heading in ("no.", "time s") else "left")
    for heading in HEADINGS.values():
        shown.add_column(heading, justify="right")
    if with_conditions:
        shown.add_column("suggests")
    shown.add_column("flags", overflow="fold")
    for row in range(len(table["capture"])):
        cells = [
            name_of_lead(str(table["cylinder"][row]), "", str(table["channel"][row])),
            str(table["firing"][row]),
            f"{table['time_s'][row]:.4f}",
            str(table["sparked"][row]),
            *(_reading(table, name, row) for name in HEADINGS),
        ]
        if with_conditions:
            cells.append(_condition(table, row))
        cells.append(str(table["flags"][row]))
        shown.add_row(*(Text(cell) for cell in cells))
    return shown


def footnotes(table: Mapping[str, NDArray]) -> list[str]:
    """Return what the flags and the missing values of a table mean, in words, with their number.

    Examples
    --------
    >>> from sigkit.types.firing_table import empty_table
    >>> table = empty_table(2)
    >>> table["flags"][:] = ["cut", ""]
    >>> footnotes(table)[0]
    "cut (1 firing): the record begins within this firing's dwell or ends within its burn"
    """
    notes = []
    flags = [flag for text in table["flags"] for flag in str(text).split()]
    for flag in dict.fromkeys(flags):
        notes.append(
            f"{flag} ({_firings(flags.count(flag))}): {FIRING_FLAGS.get(flag, 'see the documentation')}"
        )
    for name, heading in HEADINGS.items():
        column = [str(flag) for flag in table[QUANTITY[name].flag_column]]
        for flag in dict.fromkeys(flag for flag in column if flag.startswith("missing:")):
            reason = MISSING_REASONS.get(flag.removeprefix("missing:"), flag)
            notes.append(f"{heading.rsplit(' ', 1)[0]} missing ({_firings(column.count(flag))}): {reason}")
    return notes


def _firings(count: int) -> str:
    return f"{count} firing" if count == 1 else f"{count} firings"


def _reading(table: Mapping[str, NDArray], name: str, row: int) -> str:
    spec = QUANTITY[name]
    text = format_value(float(table[spec.column][row]), float(table[spec.u_column][row]))
    bounded = table[spec.flag_column][row] == "lower_bound" and text != NOTHING
    return f"≥ {text}" if bounded else text


def _condition(table: Mapping[str, NDArray], row: int) -> str:
    condition = str(table["condition"][row])
    probability = float(table["condition_probability"][row])
    if not condition:
        return NOTHING
    words = condition_in_words(condition)
    return f"{words} {probability:.2f}" if np.isfinite(probability) else words


def records_of(table: Mapping[str, NDArray], columns: Sequence[str]) -> list[dict[str, Any]]:
    """Return the rows of a table as plain Python values, NaN as None, for JSON."""
    records = []
    for row in range(len(table["capture"])):
        record: dict[str, Any] = {}
        for name in columns:
            cell = table[name][row]
            if isinstance(cell, (float, np.floating)):
                record[name] = float(cell) if np.isfinite(cell) else None
            elif isinstance(cell, (bool, np.bool_)):
                record[name] = bool(cell)
            elif isinstance(cell, (int, np.integer)):
                record[name] = int(cell)
            else:
                record[name] = str(cell)
        records.append(record)
    return records
