"""Plan the opening of an archive, and open its files one by one with all that is known of them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from sigkit.capture.list_sources import list_sources
from sigkit.capture.open_source import open_source
from sigkit.capture.profile import Profile, apply_profile, find_profile, list_profiles, profile_folder
from sigkit.capture.sidecar import FILE_NAME, SidecarRow, apply_sidecar, read_sidecar, rows_for
from sigkit.capture.source_reference import Rejection, SourceReference
from sigkit.contracts.reader import ReadOptions
from sigkit.errors import CaptureError, ProfileError
from sigkit.types.capture import Capture


@dataclass(frozen=True)
class PlannedSource:
    """A listed file with what sidecar, profiles and command line say of it; small enough to send to a worker."""

    reference: SourceReference
    rows: tuple[SidecarRow, ...] = ()
    profiles: tuple[Profile, ...] = ()
    profile: str = ""
    lead: str = ""
    leads: tuple[str, ...] = ()
    sample_rate_Hz: float | None = None


@dataclass(frozen=True)
class OpeningPlan:
    """What will be opened, and what could not even be listed."""

    sources: tuple[PlannedSource, ...]
    rejections: tuple[Rejection, ...]
    warnings: tuple[str, ...] = field(default=())


def plan_opening(
    what: Sequence[str], *, leads: Sequence[str] = (), sample_rate_Hz: float | None = None, profile: str = ""
) -> OpeningPlan:
    """List an archive and gather its sidecars and profiles.

    Parameters
    ----------
    what : sequence of str
        As in `sigkit.capture.list_sources.list_sources`.
    leads : sequence of str
        Names of the leads: one a file, in order of the names, or one a channel of each file.
    sample_rate_Hz : float, optional
        Where the files give none.
    profile : str
        Name of a profile for all captures.

    Returns
    -------
    OpeningPlan

    Raises
    ------
    CaptureError, ProfileError
        When an entry does not exist, or a sidecar or profile cannot be used.
    """
    sources, rejections = list_sources(what)
    folders = {_folder(reference) for reference in sources}
    folders |= {entry for entry in what if Path(entry).is_dir()}
    sidecars: dict[str, tuple[SidecarRow, ...]] = {}
    for folder in sorted(folders):
        path = Path(folder) / FILE_NAME
        if path.is_file():
            sidecars[folder] = read_sidecar(path)
    profiles, warnings = [], []
    for path, one in list_profiles([*sorted(folders), profile_folder()]):
        if isinstance(one, Profile):
            profiles.append(one)
        else:
            warnings.append(str(one))
            if profile and path.name.startswith(profile):
                raise one
    named = tuple(str(lead).strip() for lead in leads)
    in_turn = bool(named) and len(named) == len(sources)
    planned = []
    for number, reference in enumerate(sources):
        rows: tuple[SidecarRow, ...] = ()
        for folder in _folders_above(reference, sidecars):
            base = Path(folder)
            try:
                relative = Path(reference.path).relative_to(base).as_posix()
            except ValueError:
                relative = reference.name
            inside = "!".join([relative, *reference.members])
            rows = rows_for(sidecars[folder], inside) or rows_for(sidecars[folder], reference.name)
            if rows:
                break
        planned.append(
            PlannedSource(reference, rows, tuple(profiles), profile, named[number] if in_turn else "",
                          () if in_turn else named, sample_rate_Hz)
        )  # fmt: skip
    return OpeningPlan(tuple(planned), tuple(rejections), tuple(warnings))


def open_planned(planned: PlannedSource) -> list[Capture]:
    """Open one planned file; every capture carries what is known of it.

    Raises
    ------
    CaptureError
        When it cannot be used, with place, reason and remedy.
    """
    reference = planned.reference
    stated = [row.number("sample_rate_Hz") for row in planned.rows if row.number("sample_rate_Hz")]
    rate = stated[0] if stated else planned.sample_rate_Hz
    captures = open_source(reference, ReadOptions(sample_rate_Hz=rate))
    return [_finish(capture, planned) for capture in captures]


def _finish(capture: Capture, planned: PlannedSource) -> Capture:
    folder = planned.reference.folder or Path(planned.reference.path).resolve().parent.name
    capture = capture.with_(recording=planned.reference.name)
    capture = apply_sidecar(capture, planned.rows)
    capture = _leads(capture, planned)
    try:
        profile = find_profile(capture, planned.profiles, planned.profile)
    except ProfileError as error:
        raise CaptureError(capture.name, str(error), "name a profile that exists: sigkit profile list") from error
    if profile is not None:
        capture = apply_profile(capture, profile)
    # When nothing names an engine, the folder of the file stands for it.
    return capture if capture.engine else capture.with_(engine=folder)


def _leads(capture: Capture, planned: PlannedSource) -> Capture:
    if planned.lead:
        voltage = [c for c in capture.channels if c.kind in ("secondary_voltage", "unknown")]
        if len(voltage) != 1:
            raise CaptureError(
                capture.name, f"--leads names one lead a file, but this file has {len(voltage)} channels",
                "give the leads in the column cylinder of captures.csv, a line a channel",
            )  # fmt: skip
        marked = replace(
            voltage[0], lead=planned.lead, cylinder=voltage[0].cylinder or planned.lead, kind="secondary_voltage"
        )
        return capture.with_(channels=tuple(marked if c is voltage[0] else c for c in capture.channels))
    if planned.leads:
        if len(capture.channels) != len(planned.leads):
            raise CaptureError(
                capture.name,
                f"--leads names {len(planned.leads)} leads; they fit neither the number of files nor the "
                f"{len(capture.channels)} channels of this one",
                "name as many leads as there are files of one channel, or channels in each file",
            )
        return capture.with_(
            channels=tuple(
                replace(c, lead=lead, cylinder=c.cylinder or lead)
                for c, lead in zip(capture.channels, planned.leads, strict=True)
            )
        )
    return capture


def open_captures(what: Sequence[str], **settings: object) -> Iterator[Capture | Rejection]:
    """Open everything one after the other; one bad file never stops the rest.

    Parameters
    ----------
    what : sequence of str
    **settings
        As in `plan_opening`.

    Yields
    ------
    Capture or Rejection
    """
    plan = plan_opening(what, **settings)  # type: ignore[arg-type]
    yield from plan.rejections
    for planned in plan.sources:
        try:
            yield from open_planned(planned)
        except CaptureError as error:
            yield rejection_of(planned, error)


def rejection_of(planned: PlannedSource, error: CaptureError) -> Rejection:
    """Return the row of rejected.csv for a refused file."""
    return Rejection(
        planned.reference.name, error.place, error.reason, error.remedy, planned.reference.size_bytes
    )


def _folder(reference: SourceReference) -> str:
    return "" if "://" in reference.path else str(Path(reference.path).parent)


def _folders_above(reference: SourceReference, sidecars: dict[str, tuple[SidecarRow, ...]]) -> list[str]:
    """Folders with a sidecar that hold the file, nearest first."""
    if "://" in reference.path:
        return []
    parents = [str(parent) for parent in Path(reference.path).parents]
    return [folder for folder in parents if folder in sidecars] + [
        folder for folder in sidecars if folder not in parents and Path(reference.path).is_relative_to(folder)
    ]
