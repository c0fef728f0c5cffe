"""What a worker does with one file: open it and measure every capture in it."""

from __future__ import annotations

from dataclasses import dataclass

from sigkit.capture.open_captures import PlannedSource, open_planned, rejection_of
from sigkit.capture.source_reference import Rejection
from sigkit.context.capture_info import CaptureInfo
from sigkit.errors import CaptureError
from sigkit.features.waveform_features import add_shape_columns
from sigkit.measure.measure_capture import measure_capture
from sigkit.screen.capture_facts import CaptureFacts, facts_of
from sigkit.types.capture import Capture
from sigkit.types.firing_table import Table


@dataclass(frozen=True, eq=False)
class ScreenedCapture:
    """One capture measured, without its samples."""

    facts: CaptureFacts
    info: CaptureInfo
    table: Table
    intervals: Table


@dataclass(frozen=True, eq=False)
class ScreenedSource:
    """What came of one file."""

    captures: tuple[ScreenedCapture, ...]
    rejection: Rejection | None


def screen_source(planned: PlannedSource) -> ScreenedSource:
    """Open and measure one file; a refusal is a result, not an error."""
    try:
        return ScreenedSource(tuple(_screen(capture) for capture in open_planned(planned)), None)
    except CaptureError as error:
        return ScreenedSource((), rejection_of(planned, error))


def _screen(capture: Capture) -> ScreenedCapture:
    measured = add_shape_columns(measure_capture(capture))
    return ScreenedCapture(
        facts_of(measured.capture), CaptureInfo.of(measured.capture), measured.table, measured.intervals
    )
