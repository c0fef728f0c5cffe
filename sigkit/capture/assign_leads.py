"""Give the leads named on the command line to files or channels."""

from __future__ import annotations

from collections.abc import Sequence

from sigkit.capture.source_reference import SourceReference
from sigkit.errors import CaptureError
from sigkit.types.capture import Capture
from sigkit.types.channel import Channel

#: Kinds of channel that show a lead.
LEAD_KINDS = ("secondary_voltage", "primary_voltage", "unknown")


def leads_by_file(references: Sequence[SourceReference], leads: Sequence[str]) -> dict[str, str]:
    """Return the lead of each file, by its name, where the files of a folder are as many as the leads.

    The files of one folder, in the order of their names, take the leads in turn. When no folder has as many files
    but all folders together do, they take them in turn over all.

    Parameters
    ----------
    references : sequence of SourceReference
        Sorted by name.
    leads : sequence of str

    Examples
    --------
    >>> leads_by_file([SourceReference("b/1.wav", ""), SourceReference("b/2.wav", "")], ["x", "y"])
    {'b/1.wav': 'x', 'b/2.wav': 'y'}
    """
    folders: dict[str, list[str]] = {}
    for reference in references:
        folders.setdefault(reference.folder, []).append(reference.name)
    groups = [names for names in folders.values() if len(names) == len(leads)]
    if not groups and len(references) == len(leads):
        groups = [[reference.name for reference in references]]
    return {name: lead for names in groups for name, lead in zip(names, leads, strict=True)}


def assign_leads(capture: Capture, leads: Sequence[str], own: str, files_in_folder: int) -> Capture:
    """Return the capture with its leads named.

    The channels that can show a lead take the leads in turn where they are as many; a file with one such channel
    takes the lead of its place among the files of its folder. ``cylinder`` is the lead's name unless the sidecar
    gave one. A channel left out for missing samples keeps its place.

    Parameters
    ----------
    capture : Capture
    leads : sequence of str
        Names as given.
    own : str
        Lead of this file by its place, ``""`` when the files do not match the leads in number.
    files_in_folder : int

    Raises
    ------
    CaptureError
        When the numbers do not fit, saying which.
    """
    shown = [channel for channel in capture.channels if channel.kind in LEAD_KINDS]
    if len(shown) == 1 and own and "channels_in_file" not in capture.metadata:
        return _marked(capture, {shown[0].name: own})
    in_file = [name for name in capture.metadata.get("channels_in_file", "").split("|") if name]
    other = {channel.name for channel in capture.channels if channel.kind not in LEAD_KINDS}
    names = [name for name in in_file if name not in other] or [channel.name for channel in shown]
    if len(names) != len(leads):
        raise CaptureError(
            capture.name,
            f"{len(leads)} leads are named, but this file has {len(names)} channels that can show one and its "
            f"folder holds {files_in_folder} files",
            "name as many leads as there are files of one channel in the folder, or channels in each file, or give "
            "the leads in the column cylinder of captures.csv")  # fmt: skip
    return _marked(capture, dict(zip(names, leads, strict=True)))


def _marked(capture: Capture, leads: dict[str, str]) -> Capture:
    def marked(channel: Channel) -> Channel:
        lead = leads.get(channel.name)
        return channel if lead is None else channel.with_(lead=lead, cylinder=channel.cylinder or lead)

    return capture.with_(channels=tuple(marked(channel) for channel in capture.channels))
