"""What a worker does with one file: open, measure, keep a few small traces."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sigkit.capture.open_captures import PlannedSource, open_planned, rejection_of
from sigkit.capture.source_reference import Rejection
from sigkit.context.capture_info import CaptureInfo
from sigkit.errors import CaptureError
from sigkit.measure.measure_capture import measure_capture
from sigkit.report.firing_trace import FiringTrace, cut_traces
from sigkit.screen.capture_facts import CaptureFacts, facts_of
from sigkit.screen.lead_rows import JUDGED_KINDS
from sigkit.types.firing_table import Table

#: Traces kept of one channel for the pictures (our choice).
TRACES = 12


@dataclass(frozen=True, eq=False)
class ScreenedCapture:
    """One capture measured, without its samples."""

    facts: CaptureFacts
    info: CaptureInfo
    table: Table
    intervals: Table
    traces: tuple[FiringTrace, ...]


@dataclass(frozen=True, eq=False)
class ScreenedSource:
    """What came of one file."""

    captures: tuple[ScreenedCapture, ...]
    rejection: Rejection | None


def screen_source(planned: PlannedSource) -> ScreenedSource:
    """Open and measure one file; a refusal is a result, not an error."""
    try:
        captures = open_planned(planned)
        return ScreenedSource(tuple(_screen(capture) for capture in captures), None)
    except CaptureError as error:
        return ScreenedSource((), rejection_of(planned, error))


def _screen(capture: object) -> ScreenedCapture:
    measured = measure_capture(capture)  # type: ignore[arg-type]
    rows = _rows_shown(measured.table)
    traces = cut_traces(measured.capture, measured.table, rows, measured.intervals)
    return ScreenedCapture(
        facts_of(measured.capture), CaptureInfo.of(measured.capture), measured.table, measured.intervals,
        tuple(traces),
    )  # fmt: skip


def _rows_shown(table: Table) -> NDArray[np.int64]:
    """Rows of each judged channel, evenly taken."""
    chosen = []
    for channel in dict.fromkeys(table["channel"]):
        rows = np.flatnonzero((table["channel"] == channel) & np.isin(table["channel_kind"], JUDGED_KINDS))
        if rows.size > TRACES:
            rows = rows[np.unique(np.linspace(0, rows.size - 1, TRACES).round().astype(int))]
        chosen.append(rows)
    return np.concatenate(chosen) if chosen else np.zeros(0, dtype=np.int64)
