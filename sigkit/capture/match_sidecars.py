"""Find which lines of which sidecars speak of which file."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field

from sigkit.capture.sidecar import SidecarRow, parse_sidecar
from sigkit.capture.source_reference import SourceReference, folder_prefix
from sigkit.capture.source_stream import open_reference
from sigkit.errors import CaptureError, ProfileError


@dataclass
class SidecarMatches:
    """Lines by file.

    Attributes
    ----------
    rows : dict of str to list of SidecarRow
        By the name of the file, from the farthest sidecar to the nearest.
    faults : dict of str to str
        By the name of the file: why a sidecar that may speak of it cannot be used.
    warnings : list of str
        Lines that name no file or several.
    """

    rows: dict[str, list[SidecarRow]] = field(default_factory=dict)
    faults: dict[str, str] = field(default_factory=dict)
    warnings: list[str] = field(default_factory=list)


def match_sidecars(sidecars: Sequence[SourceReference], sources: Sequence[SourceReference]) -> SidecarMatches:
    """Read the sidecars and match their lines.

    A line names a file by its path from the sidecar's folder (``!`` leads into a zip), or by the file name alone
    where that is the only one of this name below the folder. A sidecar that cannot be used stops the files
    below its folder, not the others.

    Parameters
    ----------
    sidecars, sources : sequence of SourceReference

    Returns
    -------
    SidecarMatches
    """
    matches = SidecarMatches()
    # The shortest folder first, so that the nearest sidecar comes last and wins.
    for sidecar in sorted(sidecars, key=lambda one: (len(folder_prefix(one.name)), one.name)):
        prefix = folder_prefix(sidecar.name)
        below = [source for source in sources if source.name.startswith(prefix)]
        try:
            with ExitStack() as stack:
                rows = parse_sidecar(open_reference(sidecar, stack).read(), sidecar.location)
        except (ProfileError, CaptureError) as fault:
            matches.faults.update({source.name: str(fault) for source in below})
            continue
        exact = {source.name for source in below}
        by_base: dict[str, list[str]] = {}
        for source in below:
            by_base.setdefault(source.name[len(folder_prefix(source.name)) :], []).append(source.name)
        for row in rows:
            wanted = prefix + row.capture
            found = [wanted] if wanted in exact else by_base.get(row.capture, [])
            if len(found) == 1:
                matches.rows.setdefault(found[0], []).append(row)
            elif found:
                matches.warnings.append(f"{row.file}, line {row.line}: {row.capture!r} could be any of "
                                        f"{', '.join(sorted(found)[:5])}; write its path")  # fmt: skip
            else:
                matches.warnings.append(f"{row.file}, line {row.line}: there is no file {row.capture!r}")
    return matches
