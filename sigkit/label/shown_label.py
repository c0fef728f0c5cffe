"""Turn labels into what a page shows and back: milliseconds from the window's begin, upside down where flipped."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from sigkit.corpus.label_record import FiringLabel, LabelError
from sigkit.label.firing_times import SAME_FIRING_S
from sigkit.label.label_tasks import LabelTask

#: Fields that go through unchanged.
PLAIN = ("answer", "role", "condition", "certainty", "remark")


def label_to_show(
    label: FiringLabel, channel: int, origin_s: float, flipped: bool, *, place: bool = True
) -> dict[str, Any]:
    """Return a label in the page's terms.

    Parameters
    ----------
    label : FiringLabel
    channel : int
        Number of its channel.
    origin_s : float
        Time on the capture's axis that the page calls 0.
    flipped : bool
        The page shows the channel upside down.
    place : bool
        Tell where the firing is. Not for a firing that was proposed: its place may be the proposal's.
    """

    def ms(instant: float | None) -> float | None:
        return None if instant is None else (instant - origin_s) * 1e3

    return {
        "label": label.label,
        "entry": label.entry,
        "channel": channel,
        "intervals": [[ms(start), ms(stop)] for start, stop in label.intervals],
        "coil_on": [ms(one) for one in label.coil_on_s],
        "coil_off": [ms(one) for one in label.coil_off_s],
        "place": ms(label.time_s) if place else None,
        "polarity": -label.polarity if flipped else label.polarity,
        "deleted": label.deleted,
        **{name: getattr(label, name) for name in PLAIN},
    }


def shown_to_fields(shown: Mapping[str, Any], origin_s: float, task: LabelTask) -> dict[str, Any]:
    """Return the fields of a `FiringLabel` that a page sent.

    Raises
    ------
    LabelError
        When a field is absent or of the wrong kind.
    """

    def seconds(value: Any, name: str) -> float:
        if isinstance(value, bool) or not isinstance(value, (int, float)) or not abs(value) < 1e300:
            raise LabelError(f"{name} is {str(value)[:40]}, expected milliseconds")
        return origin_s + float(value) / 1e3

    def listed(name: str) -> list[Any]:
        value = shown.get(name, [])
        if not isinstance(value, list):
            raise LabelError(f"{name} is {value!r}, expected a list")
        return value

    intervals = []
    for pair in listed("intervals"):
        if not isinstance(pair, list) or len(pair) != 2:
            raise LabelError("an interval has a start and a stop")
        intervals.append(tuple(None if end is None else seconds(end, "an interval's end") for end in pair))
    intervals.sort(key=lambda pair: pair[0] if pair[0] is not None else (pair[1] or -math.inf))
    ons = tuple(sorted(seconds(one, "coil on") for one in listed("coil_on")))
    offs = tuple(sorted(seconds(one, "coil off") for one in listed("coil_off")))
    instants = [*offs[:1], *(end for pair in intervals for end in pair if end is not None), *ons]
    place = shown.get("place")
    if task.channel:
        # A firing keeps its place when the instants given are far from it (a cut one may show its end only).
        near = bool(instants) and abs(instants[0] - task.time_s) <= SAME_FIRING_S
        time_s = instants[0] if near else task.time_s
    elif instants:
        time_s = instants[0]
    else:
        time_s = seconds(place, "place")
    polarity = shown.get("polarity", 0)
    if not isinstance(polarity, int) or isinstance(polarity, bool):
        raise LabelError(f"polarity is {polarity!r}, expected -1, 0 or 1")
    return {
        "time_s": time_s,
        "intervals": tuple(intervals),
        "coil_on_s": ons,
        "coil_off_s": offs,
        "polarity": -polarity if task.flipped else polarity,
        **{name: shown[name] for name in PLAIN if name in shown},
    }
