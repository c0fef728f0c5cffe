"""One row a lead: how many firings, the median of each quantity with its uncertainty and scatter."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sigkit.report.firing_trace import name_of_lead
from sigkit.types.measurements import QUANTITY

#: Quantities of the tables by cylinder and by coil pair, in order.
TABLE_QUANTITIES = ("firing_voltage", "burn_time", "burn_voltage", "burn_slope", "ring_cycles", "dwell_time")
#: Normal-distribution factors: scatter from the median absolute deviation, and the standard deviation of
#: a median of n values as 1.2533 s / sqrt(n) (any text on robust statistics; sqrt(pi/2), asymptotic).
MAD_TO_SCATTER, MEDIAN_FACTOR = 1.4826, 1.2533


@dataclass(frozen=True)
class MedianReading:
    """Median of one quantity over firings.

    Attributes
    ----------
    value : float
        Median, NaN when nothing was measured.
    u : float
        Standard uncertainty of the median.
    scatter : float
        Robust standard deviation between firings.
    n : int
        Firings that had a value.
    bounded : bool
        True when half or more of the values are lower bounds.
    """

    value: float
    u: float
    scatter: float
    n: int
    bounded: bool = False


@dataclass(frozen=True)
class LeadSummary:
    """Summary of the firings of one lead.

    Attributes
    ----------
    engine, cylinder, coil, channel, title, role : str
        ``title`` is the name in words; ``role`` the most frequent one.
    firings : int
        Firings found; absent ones are not counted.
    without_spark, absent : int
    readings : dict of str to MedianReading
        By quantity name, `TABLE_QUANTITIES`, in the units of the firing table.
    conditions : tuple of (str, int)
        Conditions with their number of firings, most frequent first.
    """

    engine: str
    cylinder: str
    coil: str
    channel: str
    title: str
    role: str
    firings: int
    without_spark: int
    absent: int
    readings: dict[str, MedianReading]
    conditions: tuple[tuple[str, int], ...]


def median_reading(value: NDArray, u: NDArray, bounded: NDArray | None = None) -> MedianReading:
    """Return the median of some readings with its standard uncertainty.

    The uncertainty joins the scatter of the median over the firings with the typical uncertainty of one
    reading, taken as common to all firings so that it does not shrink with their number (a cautious
    choice of ours; JCGM 100:2008, 5.1.2, adds the squares).

    Parameters
    ----------
    value, u : ndarray of float, shape (n,)
        Readings and standard uncertainties, NaN where missing.
    bounded : ndarray of bool, optional
        Readings that are lower bounds.

    Examples
    --------
    >>> reading = median_reading(np.array([1.0, 1.1, 1.2, np.nan]), np.full(4, 0.01))
    >>> reading.value, reading.n, round(reading.scatter, 3)
    (1.1, 3, 0.148)
    """
    known = np.isfinite(value)
    n = int(known.sum())
    if n == 0:
        return MedianReading(np.nan, np.nan, np.nan, 0)
    middle = float(np.median(value[known]))
    scatter = MAD_TO_SCATTER * float(np.median(np.abs(value[known] - middle))) if n > 1 else np.nan
    u_known = u[known & np.isfinite(u)]
    u_one = float(np.median(u_known)) if len(u_known) else np.nan
    parts = [part for part in (u_one, MEDIAN_FACTOR * scatter / np.sqrt(n)) if np.isfinite(part)]
    u_median = float(np.sqrt(np.sum(np.square(parts)))) if parts else np.nan
    half_bounded = bool(bounded is not None and 2 * int(bounded[known].sum()) >= n)
    return MedianReading(middle, u_median, scatter, n, half_bounded)


def readings_of(table: Mapping[str, NDArray], rows: NDArray) -> dict[str, MedianReading]:
    """Return the median reading of every table quantity over some rows (boolean mask or row numbers)."""
    readings = {}
    for name in TABLE_QUANTITIES:
        spec = QUANTITY[name]
        bounded = table[spec.flag_column][rows] == "lower_bound"
        readings[name] = median_reading(table[spec.column][rows], table[spec.u_column][rows], bounded)
    return readings


def flagged(table: Mapping[str, NDArray], flag: str) -> NDArray[np.bool_]:
    """Return which rows carry a firing flag."""
    return np.array([flag in str(flags).split() for flags in table["flags"]], dtype=bool)


def summarise_leads(table: Mapping[str, NDArray]) -> list[LeadSummary]:
    """Summarise a firing table by lead: engine, then cylinder, else the channel's name.

    Parameters
    ----------
    table : mapping of str to ndarray
        Firing table of one or more captures.

    Returns
    -------
    list of LeadSummary
        In natural order of engine and lead. Power and waste firings of one lead are separate rows, since
        they fire under different pressure.
    """
    n = len(table["capture"])
    # Without a known engine, captures are not mixed: the capture stands for it.
    owner = np.where(table["engine"] == "", table["capture"], table["engine"])
    lead = np.where(table["cylinder"] == "", table["channel"], table["cylinder"])
    absent = flagged(table, "absent")
    groups: dict[tuple[str, str, str], list[int]] = {}
    for i in range(n):
        role = "waste" if table["role"][i] == "waste" else ""
        groups.setdefault((str(owner[i]), str(lead[i]), role), []).append(i)
    summaries = []
    for key in sorted(groups, key=lambda key: tuple(natural_key(part) for part in key)):
        rows = np.array(groups[key])
        first = rows[0]
        found = rows[~absent[rows]]
        counts = Counter(str(name) for name in table["condition"][found] if name)
        summaries.append(
            LeadSummary(
                engine=str(table["engine"][first]),
                cylinder=str(table["cylinder"][first]),
                coil=str(table["coil"][first]),
                channel=str(table["channel"][first]),
                title=name_of_lead(str(table["cylinder"][first]), "", str(table["channel"][first])),
                role=_most_frequent(table["role"][rows]),
                firings=len(found),
                without_spark=int((table["sparked"][found] == "no").sum()),
                absent=int(absent[rows].sum()),
                readings=readings_of(table, found),
                conditions=tuple(sorted(counts.items(), key=lambda item: (-item[1], item[0]))),
            )
        )
    return summaries


def _most_frequent(words: NDArray) -> str:
    counts = Counter(str(word) for word in words if word)
    return min(counts, key=lambda word: (-counts[word], word)) if counts else ""


def natural_key(text: str) -> tuple[tuple[int, int, str], ...]:
    """Return a sort key that puts ``"lead 10"`` behind ``"lead 9"``.

    Examples
    --------
    >>> sorted(["c10", "c9", "b"], key=natural_key)
    ['b', 'c9', 'c10']
    """
    parts: list[tuple[int, int, str]] = []
    digits = ""
    for char in text + "\0":
        # isdecimal, not isdigit: superscripts are digits that int() refuses.
        if char.isdecimal():
            digits += char
            continue
        if digits:
            parts.append((0, int(digits), digits))
            digits = ""
        parts.append((1, 0, char))
    return tuple(parts)
