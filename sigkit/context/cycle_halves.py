"""In which half of the working cycle each firing of a shared-coil engine falls, all leads on one clock."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from sigkit.context.revolution_period import period_numbers

#: Firings must fit the firing order this well in the median, in revolutions (our choice: neighbours in the order of
#: six cylinders are a third of a revolution apart).
NEARNESS = 0.12
#: Fewest firings of the lead that gives the clock (our choice).
FEWEST = 4


def cycle_halves(
    times_s: Mapping[str, NDArray], firing_order: Sequence[str]
) -> dict[str, NDArray[np.int64]] | None:
    """Number the halves of the working cycle, counted from each lead's own place in the firing order.

    On a shared coil every lead fires once a revolution, twice a working cycle of two. Counted from its place in the
    firing order, the power sparks of all leads fall in halves of one parity, and the waste sparks in the other.

    Parameters
    ----------
    times_s : mapping of str to ndarray
        Firings of each lead on one time axis, ascending, seconds.
    firing_order : sequence of str

    Returns
    -------
    dict of str to ndarray of int64, or None
        None when the firings do not fit the order, or a lead is not in it.

    Examples
    --------
    >>> found = cycle_halves({"1": np.arange(4) * 0.1, "3": 0.05 + np.arange(4) * 0.1}, ("1", "3", "4", "2"))
    >>> {lead: (halves % 2).tolist() for lead, halves in found.items()}
    {'1': [0, 1, 0, 1], '3': [0, 1, 0, 1]}
    """
    leads = [lead for lead, times in times_s.items() if times.size]
    if not leads or any(lead not in firing_order for lead in leads):
        return None
    first = max(leads, key=lambda lead: times_s[lead].size)
    clock = times_s[first]
    if clock.size < FEWEST:
        return None
    turn = period_numbers(clock).astype(float)
    if np.any(np.diff(turn) <= 0):
        return None
    place = {lead: 2.0 * firing_order.index(lead) / len(firing_order) for lead in leads}
    result, away = {}, []
    for lead in leads:
        halves = _turns(times_s[lead], clock, turn) - place[lead] + place[first]
        result[lead] = np.round(halves).astype(np.int64)
        away.append(np.abs(halves - result[lead]))
    return result if float(np.median(np.concatenate(away))) < NEARNESS else None


def _turns(times_s: NDArray, clock: NDArray, turn: NDArray) -> NDArray[np.float64]:
    """Revolutions at given times, straight lines between the clock's firings and beyond its ends."""
    at = np.clip(np.searchsorted(clock, times_s) - 1, 0, clock.size - 2)
    rate = (turn[at + 1] - turn[at]) / (clock[at + 1] - clock[at])
    return turn[at] + (times_s - clock[at]) * rate
