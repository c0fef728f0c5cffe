"""Give a capture what the lines of its sidecar say."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from sigkit.capture.full_scale import with_full_scale
from sigkit.capture.sidecar import SidecarRow
from sigkit.types.capture import Capture
from sigkit.types.channel import Channel


def apply_sidecar(capture: Capture, rows: Sequence[SidecarRow]) -> Capture:
    """Return the capture with what its lines say; what names no channel of it becomes a warning.

    Nothing is resampled, inverted or dropped. ``cylinder`` names the lead as well. ``channel`` is a channel's name,
    the last part of an array's path, or its number from 1.

    Parameters
    ----------
    capture : Capture
    rows : sequence of SidecarRow
        The lines that speak of this file, from the farthest sidecar to the nearest; later ones win, and lines for a
        channel win over lines for the whole capture.

    Returns
    -------
    Capture

    Examples
    --------
    >>> import numpy as np
    >>> one = Capture("a.csv", (Channel("U", np.arange(9), 1e5),))
    >>> apply_sidecar(one, [SidecarRow(2, (("capture", "a.csv"), ("cylinder", "3")))]).channels[0].lead
    '3'
    """
    rows = [row for row in rows if row.sweep in (0, capture.sweep)]
    if not rows:
        return capture
    warnings = list(capture.warnings)
    channels = list(capture.channels)
    said: dict[str, str] = {}
    # sorted is stable: whole-capture lines first, each group from the farthest sidecar to the nearest.
    for row in sorted(rows, key=lambda row: bool(row.text("channel"))):
        positions = _positions(capture, row, warnings)
        for position in positions:
            single = len(channels) == 1 or bool(row.text("channel"))
            channels[position] = _apply_row(channels[position], row, single, capture, warnings)
        if not positions:
            continue
        for column in ("engine", "ignition_type", "engine_speed_rpm", "profile", "note"):
            cell = row.text(column)
            if cell and column in said and said[column] != cell and column != "note" and row.text("channel"):
                warnings.append(f"{row.file}, line {row.line}: {column} {cell!r} contradicts {said[column]!r} "
                                "of another line for this capture; the later one is used")  # fmt: skip
            said[column] = cell or said.get(column, "")
    speed = said.get("engine_speed_rpm", "")
    return capture.with_(
        channels=tuple(channels), engine=said.get("engine") or capture.engine,
        ignition_type=said.get("ignition_type") or capture.ignition_type,
        engine_speed_rpm=float(speed) if speed else capture.engine_speed_rpm,
        profile=said.get("profile") or capture.profile, note=said.get("note") or capture.note,
        warnings=tuple(dict.fromkeys(warnings)),
    )  # fmt: skip


def _positions(capture: Capture, row: SidecarRow, warnings: list[str]) -> list[int]:
    """Return the channels a line speaks of."""
    wanted = row.text("channel")
    names = [channel.name for channel in capture.channels]
    if not wanted:
        return list(range(len(names)))
    leaf = wanted.replace(".", "/").rpartition("/")[2]
    for name in (wanted, leaf):
        if name in names:
            return [names.index(name)]
    if wanted.isdigit() and 1 <= int(wanted) <= len(names):
        return [int(wanted) - 1]
    left_out = capture.metadata.get("channels_in_file", "").split("|")
    why = "it was left out" if wanted in left_out else f"the capture has {', '.join(names)}"
    warnings.append(f"{row.file}, line {row.line}: there is no channel {wanted!r}; {why}")
    return []


def _apply_row(channel: Channel, row: SidecarRow, single: bool, capture: Capture, warnings: list[str]) -> Channel:
    changes: dict[str, Any] = {}
    if row.text("kind"):
        changes["kind"] = row.text("kind")
    if row.text("cylinder") and single:
        changes["cylinder"] = changes["lead"] = row.text("cylinder")
    elif row.text("cylinder"):
        warnings.append(f"{row.file}, line {row.line}: a cylinder for a capture of several channels needs the column "
                        "channel")  # fmt: skip
    if row.text("coil"):
        changes["coil"] = row.text("coil")
    if row.number("pickup_ratio") is not None:
        changes["pickup_ratio"] = row.number("pickup_ratio")
    channel = channel.with_(**changes) if changes else channel
    full = row.number("full_scale_V")
    if full is not None:
        channel, warning = with_full_scale(channel, full, capture.format)
        if warning:
            warnings.append(f"{row.file}, line {row.line}: {warning}")
    return channel
