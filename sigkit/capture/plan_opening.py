"""Plan the opening of an archive: list it, and gather what sidecars, profiles and command line say of each file."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field

from sigkit.capture import limits
from sigkit.capture.assign_leads import leads_by_file
from sigkit.capture.list_sources import list_sources
from sigkit.capture.match_sidecars import match_sidecars
from sigkit.capture.open_source import rank_readers
from sigkit.capture.profile import Profile, list_profiles, profile_folder
from sigkit.capture.sidecar import SidecarRow
from sigkit.capture.source_reference import Rejection, SourceReference
from sigkit.capture.source_stream import READ_FAULTS, open_reference
from sigkit.errors import CaptureError, ProfileError


@dataclass(frozen=True)
class PlannedSource:
    """A listed file with what sidecar, profiles and command line say of it; small enough to send to a worker.

    Attributes
    ----------
    reference : SourceReference
    rows : tuple of SidecarRow
        From the farthest sidecar to the nearest.
    profiles : tuple of Profile
        Those to choose from.
    profile : str
        Name of the profile asked for, ``""`` for the one that matches.
    lead : str
        Lead of the file by its place in its folder.
    leads : tuple of str
        All leads named.
    files_in_folder : int
    sample_rate_Hz : float or None
    sidecar_fault : str
        Why the sidecar cannot be used; the file is then refused.
    """

    reference: SourceReference
    rows: tuple[SidecarRow, ...] = ()
    profiles: tuple[Profile, ...] = ()
    profile: str = ""
    lead: str = ""
    leads: tuple[str, ...] = ()
    files_in_folder: int = 1
    sample_rate_Hz: float | None = None
    sidecar_fault: str = ""


@dataclass(frozen=True)
class OpeningPlan:
    """What will be opened, and what could not even be listed."""

    sources: tuple[PlannedSource, ...]
    rejections: tuple[Rejection, ...]
    warnings: tuple[str, ...] = field(default=())


def plan_opening(
    what: Sequence[str], *, leads: Sequence[str] = (), sample_rate_Hz: float | None = None, profile: str = ""
) -> OpeningPlan:
    """List an archive and gather its sidecars and profiles. Nothing but their heads is read of the captures.

    Parameters
    ----------
    what : sequence of str
        As in `sigkit.capture.list_sources.list_sources`.
    leads : sequence of str
        Names of the leads: one a file of a folder, in order of the names, or one a channel of each file.
    sample_rate_Hz : float, optional
        Where neither the file nor its sidecar gives one.
    profile : str
        Name of a profile for all captures.

    Returns
    -------
    OpeningPlan

    Raises
    ------
    CaptureError
        When an entry does not exist.
    ProfileError
        When the profile asked for does not exist or cannot be used, or a lead is named twice.
    """
    listing = list_sources(what)
    sources = listing.sources
    matches = match_sidecars(listing.sidecars, sources)
    profiles: list[Profile] = []
    warnings = list(matches.warnings)
    for path, one in list_profiles([*listing.profile_folders, profile_folder()]):
        if isinstance(one, Profile):
            profiles.append(one)
        else:
            warnings.append(str(one))
            if profile and path.name.startswith(profile + "."):
                raise one
    if profile and profile not in {one.name for one in profiles}:
        known = ", ".join(sorted({one.name for one in profiles})) or "none"
        raise ProfileError(f"there is no profile {profile!r}; known: {known}")
    named = tuple(text for text in (str(lead).strip() for lead in leads) if text)
    if len(set(named)) < len(named):
        raise ProfileError(f"a lead is named twice: {', '.join(named)}")
    counted = [one for one in sources if _is_capture(one)] if named else []
    by_file = leads_by_file(counted, named)
    planned = tuple(
        PlannedSource(
            reference, tuple(matches.rows.get(reference.name, ())), tuple(profiles), profile,
            by_file.get(reference.name, ""), named, sum(one.folder == reference.folder for one in counted),
            sample_rate_Hz, matches.faults.get(reference.name, ""),
        )
        for reference in sources
    )  # fmt: skip
    return OpeningPlan(planned, listing.rejections, tuple(warnings))


def _is_capture(reference: SourceReference) -> bool:
    """Tell whether a file counts when leads are dealt out: one that no reader knows (a note) does not."""
    try:
        with ExitStack() as stack:
            head = open_reference(reference, stack).read(limits.SNIFF_BYTES)
        return not head or rank_readers(head, reference.name)[0][0] > 0.1
    except CaptureError as error:
        return "no reader knows" not in error.reason
    except READ_FAULTS:
        return True
