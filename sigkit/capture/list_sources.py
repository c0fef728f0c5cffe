"""List the capture files of folders, files, lists, zips and addresses, in one stable order."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from sigkit.capture.sidecar import FILE_NAME as SIDECAR_NAME
from sigkit.capture.source_reference import Rejection, SourceReference
from sigkit.capture.source_stream import READ_FAULTS, open_stream
from sigkit.capture.zip_members import is_zip_of_captures, list_members
from sigkit.errors import CaptureError

PROFILE_ENDING = ".profile.toml"
#: Files of our own layouts, and of operating systems, that are no captures.
NOT_CAPTURES = frozenset(
    {SIDECAR_NAME, "manifest.csv", "splits.csv", "truth.parquet", "truth_intervals.parquet", "dataset.json",
     "card.md", "readme.md", "thumbs.db", "desktop.ini"}
)  # fmt: skip
#: Endings of files that never are captures.
NOT_ENDINGS = (".toml", ".md", ".py", ".html", ".png", ".jpg", ".jpeg", ".pdf", ".jsonl")
#: Files that together mark the output of an earlier screening, which is no archive.
RESULT_FILES = frozenset({"run.json", "firings.parquet", "rejected.csv"})


@dataclass(frozen=True)
class SourceListing:
    """What was found.

    Attributes
    ----------
    sources : tuple of SourceReference
        Sorted by name, whatever the order given; each file once.
    rejections : tuple of Rejection
        Archives, members and folders that cannot be listed.
    sidecars : tuple of SourceReference
        Every ``captures.csv`` found.
    profile_folders : tuple of str
        Local folders that hold profiles.
    """

    sources: tuple[SourceReference, ...]
    rejections: tuple[Rejection, ...] = ()
    sidecars: tuple[SourceReference, ...] = ()
    profile_folders: tuple[str, ...] = ()


@dataclass
class _Walk:
    """Grows while the entries are walked; keyed by where a file is, so that each counts once."""

    files: dict[str, SourceReference] = field(default_factory=dict)
    sidecars: dict[str, SourceReference] = field(default_factory=dict)
    rejections: dict[str, Rejection] = field(default_factory=dict)
    profile_folders: set[str] = field(default_factory=set)


def list_sources(what: Sequence[str]) -> SourceListing:
    """List what can be opened.

    Parameters
    ----------
    what : sequence of str
        Folders (searched through; hidden files, results of earlier screenings and files of our own layouts are left
        out), files, zips, ``@list.txt`` (one entry a line, relative to the list), or addresses that fsspec
        understands (``memory://…``, ``s3://…``; ``*`` allowed). A zip is known by its content.

    Returns
    -------
    SourceListing
        Names are relative to the one folder given, else to the folder common to all entries.

    Raises
    ------
    CaptureError
        When an entry does not exist.
    """
    # A local address is a path, so that its files can be memory-mapped.
    entries = [entry.removeprefix("file://") for entry in _entries(what)]
    local = [os.path.abspath(entry) for entry in entries if "://" not in entry]
    walk = _Walk()
    for path in local:
        if not os.path.exists(path):
            raise CaptureError(path, "there is no such file or folder", "check the path")
    root = _common_root(local)
    for path in local:
        _walk_local(path, root, walk)
    addresses = [entry for entry in entries if "://" in entry]
    for entry in addresses:
        _walk_address(entry, len(entries) == 1, walk)
    sources: dict[str, SourceReference] = {}
    for reference in walk.files.values():
        _add(reference, sources, walk)
    return SourceListing(
        tuple(sorted(sources.values(), key=lambda one: one.name)),
        tuple(sorted(walk.rejections.values(), key=lambda one: one.capture)),
        tuple(sorted(walk.sidecars.values(), key=lambda one: one.name)),
        tuple(sorted(walk.profile_folders)),
    )


def is_capture_name(name: str) -> bool:
    """Tell whether a file name may be a capture's.

    Examples
    --------
    >>> is_capture_name("a.csv"), is_capture_name("captures.csv"), is_capture_name(".hidden")
    (True, False, False)
    """
    parts = name.replace("\\", "/").split("/")
    lower = parts[-1].lower()
    hidden = any(part.startswith((".", "~")) and part not in (".", "..") for part in parts) or "__MACOSX" in parts
    return not (hidden or lower in NOT_CAPTURES or lower.endswith(NOT_ENDINGS))


def _entries(what: Sequence[str]) -> list[str]:
    entries: list[str] = []
    for one in what:
        if not one.startswith("@"):
            entries.append(one)
            continue
        listed = Path(one[1:])
        if not listed.is_file():
            raise CaptureError(one[1:], "there is no such list", "give a text file with one path a line")
        try:
            lines = listed.read_text(encoding="utf-8-sig").splitlines()
        except UnicodeDecodeError as fault:
            raise CaptureError(one[1:], f"the list is no UTF-8 text: {fault}", "save it as UTF-8 text") from fault
        for number, line in enumerate(lines, start=1):
            text = line.strip()
            if not text or text.startswith("#"):
                continue
            path = text if "://" in text or os.path.isabs(text) else str(listed.parent / text)
            if "://" not in path and not os.path.exists(path):
                raise CaptureError(one[1:], f"{text!r} does not exist", "correct the list", f"line {number}")
            entries.append(path)
    return entries


def _common_root(paths: Sequence[str]) -> str:
    folders = [path if os.path.isdir(path) else os.path.dirname(path) for path in paths]
    try:
        return os.path.commonpath(folders) if folders else ""
    except ValueError:  # different drives
        return ""


def _walk_local(path: str, root: str, walk: _Walk) -> None:
    def reference(full: str) -> SourceReference:
        name = Path(os.path.relpath(full, root) if root else full).as_posix()
        try:
            size = os.stat(full).st_size
        except OSError:  # a dangling link: opening it gives the reason
            size = 0
        return SourceReference(name, full, (), size)

    def beside(folder: str, names: Sequence[str]) -> None:
        if SIDECAR_NAME in names:
            full = os.path.join(folder, SIDECAR_NAME)
            walk.sidecars[os.path.realpath(full)] = reference(full)
        if any(name.endswith(PROFILE_ENDING) for name in names):
            walk.profile_folders.add(folder)

    def refuse(fault: OSError) -> None:
        name = Path(os.path.relpath(str(fault.filename), root or None)).as_posix()
        walk.rejections[name] = Rejection(name, "", f"the folder cannot be listed: {fault.strerror}",
                                          "check its rights")  # fmt: skip

    if os.path.isfile(path):
        walk.files[os.path.realpath(path)] = reference(path)
        beside(os.path.dirname(path), os.listdir(os.path.dirname(path)))
        return
    for folder, folders, names in os.walk(path, onerror=refuse):
        if set(names) >= RESULT_FILES:
            folders.clear()
            continue
        folders[:] = sorted(name for name in folders if not name.startswith("."))
        beside(folder, names)
        for name in names:
            full = os.path.join(folder, name)
            if is_capture_name(name):
                walk.files.setdefault(os.path.realpath(full), reference(full))


def _walk_address(entry: str, alone: bool, walk: _Walk) -> None:
    import fsspec

    try:
        system, path = fsspec.core.url_to_fs(entry)
        if "*" in path:
            names = [name for name in system.glob(path) if system.isfile(name)]
            root = path.split("*", 1)[0].rpartition("/")[0]
        elif system.isfile(path):
            names, root = [path], path.rpartition("/")[0]
        else:
            names, root = system.find(path), path.rstrip("/")
        sizes = {name: int(system.info(name).get("size") or 0) for name in names}
    except READ_FAULTS as fault:
        raise CaptureError(entry, f"the address cannot be reached: {fault}", "check address and access") from fault
    if not names:
        raise CaptureError(entry, "nothing is there", "check the address")
    for name in names:
        relative = name[len(root) :].lstrip("/") if alone else name.lstrip("/")
        address = system.unstrip_protocol(name)
        found = SourceReference(relative, address, (), sizes[name])
        if relative.rpartition("/")[2] == SIDECAR_NAME:
            walk.sidecars[address] = found
        elif is_capture_name(relative) or len(names) == 1:
            walk.files[address] = found


def _add(reference: SourceReference, sources: dict[str, SourceReference], walk: _Walk) -> None:
    """Add a file, or the members of a zip."""
    if not _is_zip(reference):
        sources[reference.location] = reference
        return
    try:
        with open_stream(reference.path) as stream:
            members, refused = list_members(
                stream, reference, lambda path: is_capture_name(path) or path.rpartition("/")[2] == SIDECAR_NAME
            )
    except READ_FAULTS as fault:
        members, refused = [], [Rejection(reference.name, "", f"the zip cannot be opened: {fault}",
                                          "check the file and its rights", reference.size_bytes)]  # fmt: skip
    walk.rejections.update({one.capture: one for one in refused})
    for member in members:
        if member.members[-1].rpartition("/")[2] == SIDECAR_NAME:
            walk.sidecars[member.location] = member
        else:
            sources[member.location] = member


def _is_zip(reference: SourceReference) -> bool:
    """Look at the first bytes; at an address only where the name says zip, to spare a request a file."""
    if "://" in reference.path and not reference.path.lower().endswith(".zip"):
        return False
    try:
        with open_stream(reference.path) as stream:
            return is_zip_of_captures(stream.read(4), reference.name)
    except READ_FAULTS:
        return False
