"""Open one planned file with all that is known of it."""

from __future__ import annotations

from pathlib import PurePath

from sigkit.capture.apply_profile import apply_profile, find_profile
from sigkit.capture.apply_sidecar import apply_sidecar
from sigkit.capture.assign_leads import assign_leads
from sigkit.capture.open_source import open_source
from sigkit.capture.plan_opening import PlannedSource
from sigkit.capture.source_reference import Rejection
from sigkit.contracts.reader import ReadOptions
from sigkit.errors import CaptureError, ProfileError
from sigkit.types.capture import Capture


def open_planned(planned: PlannedSource) -> list[Capture]:
    """Open one planned file; every capture carries what is known of it.

    The file wins over the sidecar, the sidecar over the profile. When nothing names an engine, the folder of the
    file (its path relative to what was listed; the folder's own name at the top; a zip counts as a folder) stands
    for the engine, so that the leads of one folder belong together.

    Parameters
    ----------
    planned : PlannedSource

    Returns
    -------
    list of Capture

    Raises
    ------
    CaptureError
        When it cannot be used, with place, reason and remedy.
    """
    reference = planned.reference
    if planned.sidecar_fault:
        raise CaptureError(reference.name, f"its sidecar cannot be used: {planned.sidecar_fault}",
                           "correct the sidecar")  # fmt: skip
    stated = [rate for row in planned.rows if (rate := row.number("sample_rate_Hz"))]
    hints = "\n".join(row.text("channel") for row in planned.rows if row.text("channel"))
    options = ReadOptions(sample_rate_Hz=stated[-1] if stated else planned.sample_rate_Hz,
                          extra={"sidecar_channels": hints} if hints else {})  # fmt: skip
    return [_finish(capture, planned) for capture in open_source(reference, options)]


def rejection_of(planned: PlannedSource, error: CaptureError) -> Rejection:
    """Return the row of rejected.csv for a refused file."""
    return Rejection(planned.reference.name, error.place, error.reason, error.remedy, planned.reference.size_bytes)


def _finish(capture: Capture, planned: PlannedSource) -> Capture:
    reference = planned.reference
    capture = apply_sidecar(capture, planned.rows)
    folder = reference.folder or PurePath(reference.path).parent.name
    try:
        # A profile may be found by the folder that stands for the engine.
        profile = find_profile(capture.with_(engine=capture.engine or folder), planned.profiles, planned.profile)
    except ProfileError as error:
        raise CaptureError(capture.name, str(error), "see sigkit profile list") from error
    if profile is not None:
        capture = apply_profile(capture, profile, cylinders=not planned.leads)
    if planned.leads:
        capture = assign_leads(capture, planned.leads, planned.lead, planned.files_in_folder)
    return capture if capture.engine else capture.with_(engine=folder)
