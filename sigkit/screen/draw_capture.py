"""The pictures of one capture: its samples are read again, so that nothing but the worst captures is ever kept."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sigkit.capture.open_captures import PlannedSource, open_planned
from sigkit.report.firing_trace import FiringTrace, cut_traces
from sigkit.report.picture import Picture, draw_firing, draw_parade, draw_raster, draw_superimposed
from sigkit.report.summarise_leads import flagged, natural_key
from sigkit.screen.capture_verdict import firing_weights
from sigkit.types.firing_table import Table

#: Firings drawn of one channel (our choice).
MOST_DRAWN = 12
#: Fewest firings of which a raster tells more than the superimposed picture (our choice).
FEWEST_FOR_RASTER = 3


@dataclass(frozen=True, eq=False)
class DrawTask:
    """What a worker needs to draw one capture.

    Attributes
    ----------
    planned : PlannedSource
    capture : str
        Name of the capture in that source.
    table, intervals : Table
        The rows to draw (`rows_to_draw`), judged, and the conduction intervals of the capture.
    worst_channel : str
    firing_order : tuple of str
    """

    planned: PlannedSource
    capture: str
    table: Table
    intervals: Table
    worst_channel: str
    firing_order: tuple[str, ...]


def rows_to_draw(table: Table) -> NDArray[np.int64]:
    """Return the rows of one capture that pictures show: of each channel the most telling, then evenly taken.

    Parameters
    ----------
    table : Table
        Judged rows of one capture.
    """
    weights = firing_weights(table)
    chosen = []
    for channel in dict.fromkeys(str(name) for name in table["channel"]):
        rows = np.flatnonzero(table["channel"] == channel)
        if rows.size > MOST_DRAWN:
            even = rows[np.unique(np.linspace(0, rows.size - 1, MOST_DRAWN - 3).round().astype(int))]
            telling = rows[np.argsort(-weights[rows], kind="stable")[:3]]
            rows = np.unique(np.concatenate([even, telling]))
        chosen.append(rows)
    return np.concatenate(chosen) if chosen else np.zeros(0, dtype=np.int64)


def draw_capture(task: DrawTask) -> tuple[Picture, ...]:
    """Open the source again and draw the capture: parade, worst lead superimposed, one firing of it, raster.

    Raises
    ------
    CaptureError
        When the file can no longer be read as before.
    """
    for capture in open_planned(task.planned):
        if capture.name == task.capture:
            rows = np.arange(len(task.table["capture"]))
            traces = cut_traces(capture, task.table, rows, task.intervals)
            return pictures_of(traces, task.table, task.worst_channel, task.firing_order)
    return ()


def pictures_of(
    traces: Sequence[FiringTrace], table: Table, worst_channel: str, firing_order: Sequence[str] = ()
) -> tuple[Picture, ...]:
    """Return the pictures of one capture from its traces, which stand for the rows of ``table`` one by one."""
    weights = firing_weights(table)
    absent = flagged(table, "absent")
    leads: dict[str, list[int]] = {}
    for place, trace in enumerate(traces):
        if len(trace.time_ms) > 1:
            leads.setdefault(trace.channel, []).append(place)
    if not any(not absent[place] for places in leads.values() for place in places):
        return ()
    worst = worst_channel if worst_channel in leads else next(iter(leads))
    pictures = []
    if len(leads) > 1:
        shown = [traces[_typical(traces, places, absent)] for places in leads.values()]
        turn = {cylinder: number for number, cylinder in enumerate(firing_order)}
        shown.sort(key=lambda trace: (turn.get(trace.cylinder, len(turn)), natural_key(trace.title)))
        pictures.append(draw_parade(shown))
    mine = [traces[place] for place in leads[worst]]
    found = [place for place in leads[worst] if not absent[place]]
    if found:
        pictures.append(draw_superimposed(mine))
        telling = max(found, key=lambda place: weights[place])
        one = telling if weights[telling] > 0.0 else _typical(traces, found, absent)
        pictures.append(draw_firing(traces[one]))
    if len(mine) >= FEWEST_FOR_RASTER:
        pictures.append(draw_raster(mine))
    return tuple(pictures)


def _typical(traces: Sequence[FiringTrace], places: Sequence[int], absent: NDArray[np.bool_]) -> int:
    """The firing whose burn time is the median one; the first found when none has any."""
    burn = np.array([float(traces[place].row.get("burn_time_ms", np.nan)) for place in places])
    known = np.flatnonzero(np.isfinite(burn))
    if known.size:
        return places[int(known[np.argsort(burn[known], kind="stable")[known.size // 2]])]
    return next((place for place in places if not absent[place]), places[0])
