"""One recording: one or more channels, and what its file and its sidecar say of it."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

from sigkit.types.channel import Channel


@dataclass(frozen=True, eq=False)
class Capture:
    """One recording.

    Several sweeps in one file are several captures that share ``recording``; the sweep number is part
    of ``name``. Context (role, siblings) is judged over all captures of one ``engine``.

    Attributes
    ----------
    name : str
        Path relative to what was screened, with ``#sweep-2`` or ``!member`` appended where needed.
    channels : tuple of Channel
    source : str
        Full path or address the samples come from.
    format : str
        Name of the reader.
    recording : str
        Name without the sweep number.
    sweep : int
        0 for a file with one sweep, else counted from 1.
    engine : str
        Engine the capture belongs to, ``""`` when not known.
    ignition_type : str
        ``"shared_coil"``, ``"coil_on_plug"``, ``"distributor"`` or ``""``.
    engine_speed_rpm : float or None
        As given by sidecar or file, if at all.
    profile : str
        Name of the profile used, ``""`` for none.
    time_origin : str
        Date and time of the recorder as written in the file, ``""`` when it has none.
    shared_coil_pairs : tuple of tuple of str
        Leads that share a coil, from the profile.
    firing_order : tuple of str
        Cylinders in firing order, from the profile.
    note : str
    metadata : dict
        Whatever else the file said, as text.
    warnings : tuple of str
        What the reader had to assume or repair, in words.
    """

    name: str
    channels: tuple[Channel, ...]
    source: str = ""
    format: str = ""
    recording: str = ""
    sweep: int = 0
    engine: str = ""
    ignition_type: str = ""
    engine_speed_rpm: float | None = None
    profile: str = ""
    time_origin: str = ""
    shared_coil_pairs: tuple[tuple[str, ...], ...] = ()
    firing_order: tuple[str, ...] = ()
    note: str = ""
    metadata: dict[str, str] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()

    def with_(self, **changes: Any) -> Capture:
        """Return a copy with some attributes changed."""
        return replace(self, **changes)
