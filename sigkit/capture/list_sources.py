"""List the capture files of folders, files, lists, zips and addresses, in one stable order."""

from __future__ import annotations

import os
import zipfile
from collections.abc import Sequence
from pathlib import Path
from typing import BinaryIO

from sigkit.capture import limits
from sigkit.capture.source_reference import Rejection, SourceReference
from sigkit.errors import CaptureError

#: Files of our own layouts, and of operating systems, that are no captures.
NOT_CAPTURES = frozenset(
    {"captures.csv", "manifest.csv", "splits.csv", "truth.parquet", "truth_intervals.parquet", "dataset.json",
     "card.md", "readme.md", "thumbs.db", "desktop.ini"}
)  # fmt: skip
#: Endings of files that never are captures.
NOT_ENDINGS = (".toml", ".md", ".py", ".html", ".png", ".jpg", ".jpeg", ".pdf", ".jsonl")


def list_sources(what: Sequence[str]) -> tuple[list[SourceReference], list[Rejection]]:
    """List what can be opened.

    Parameters
    ----------
    what : sequence of str
        Folders (searched through, hidden files left out), files, zips, ``@list.txt`` (one entry a line), or
        addresses that fsspec understands (``memory://…``, ``s3://…``).

    Returns
    -------
    sources : list of SourceReference
        Sorted by name, whatever the order given; each once.
    rejections : list of Rejection
        Archives that cannot be listed.

    Raises
    ------
    CaptureError
        When an entry does not exist.
    """
    found: dict[tuple[str, tuple[str, ...]], SourceReference] = {}
    rejections: list[Rejection] = []
    for entry in _entries(what):
        for reference in _walk(entry):
            if not reference.path.lower().endswith(".zip"):
                found[reference.path, ()] = reference
                continue
            try:
                with _open(reference.path) as stream:
                    inside = _members(stream, reference, (), 1)
            except (zipfile.BadZipFile, OSError, RuntimeError, NotImplementedError, ValueError) as fault:
                rejections.append(
                    Rejection(reference.name, "", f"the zip cannot be listed: {fault}",
                              "pack the files again, without a password", reference.size_bytes)
                )  # fmt: skip
                continue
            for member in inside:
                if isinstance(member, Rejection):
                    rejections.append(member)
                else:
                    found[member.path, member.members] = member
    return sorted(found.values(), key=lambda one: one.name), sorted(rejections, key=lambda one: one.capture)


def _entries(what: Sequence[str]) -> list[str]:
    entries: list[str] = []
    for one in what:
        if one.startswith("@"):
            listed = Path(one[1:])
            if not listed.is_file():
                raise CaptureError(one[1:], "there is no such list", "give a text file with one path a line")
            for line in listed.read_text(encoding="utf-8").splitlines():
                text = line.strip()
                if text and not text.startswith("#"):
                    entries.append(text if "://" in text or os.path.isabs(text) else str(listed.parent / text))
        else:
            entries.append(one)
    return entries


def is_capture_name(name: str) -> bool:
    """Tell whether a file name may be a capture's.

    Examples
    --------
    >>> is_capture_name("a.csv"), is_capture_name("captures.csv"), is_capture_name(".hidden")
    (True, False, False)
    """
    base = name.rpartition("/")[2]
    lower = base.lower()
    return not (base.startswith((".", "~")) or lower in NOT_CAPTURES or lower.endswith(NOT_ENDINGS))


def _walk(entry: str) -> list[SourceReference]:
    if "://" in entry:
        return _walk_address(entry)
    path = Path(entry)
    if path.is_file():
        return [SourceReference(path.name, str(path), (), path.stat().st_size)]
    if not path.is_dir():
        raise CaptureError(entry, "there is no such file or folder", "check the path")
    result = []
    for folder, folders, names in os.walk(path):
        folders[:] = sorted(f for f in folders if not f.startswith("."))
        for name in sorted(names):
            if is_capture_name(name):
                full = Path(folder) / name
                relative = full.relative_to(path).as_posix()
                result.append(SourceReference(relative, str(full), (), full.stat().st_size))
    return result


def _walk_address(entry: str) -> list[SourceReference]:
    import fsspec

    try:
        system, path = fsspec.core.url_to_fs(entry)
        names = [path] if system.isfile(path) else system.find(path)
    except (OSError, ValueError, ImportError) as fault:
        raise CaptureError(entry, f"the address cannot be reached: {fault}", "check address and access") from fault
    if not names:
        raise CaptureError(entry, "nothing is there", "check the address")
    scheme = entry.split("://", 1)[0]
    root = path.rstrip("/")
    result = []
    for name in sorted(names):
        relative = name[len(root) :].lstrip("/") or name.rpartition("/")[2]
        if is_capture_name(relative):
            size = int(system.info(name).get("size") or 0)
            result.append(SourceReference(relative, f"{scheme}://{name}", (), size))
    return result


def _open(path: str) -> BinaryIO:
    if "://" in path:
        import fsspec

        return fsspec.open(path, "rb").open()
    return open(path, "rb")


def _members(
    stream: BinaryIO, outer: SourceReference, above: tuple[str, ...], depth: int
) -> list[SourceReference | Rejection]:
    """List one zip, and zips within it down to a fixed depth."""
    result: list[SourceReference | Rejection] = []
    with zipfile.ZipFile(stream) as archive:
        listed = archive.infolist()
        if len(listed) > limits.ARCHIVE_MEMBERS:
            raise ValueError(f"it lists {len(listed)} members, more than {limits.ARCHIVE_MEMBERS}")
        for info in listed:
            if info.is_dir() or not is_capture_name(info.filename):
                continue
            name = "!".join([outer.name, *above, info.filename])
            if info.flag_bits & 1:
                result.append(Rejection(name, "", "the member is locked by a password",
                                        "unpack it, or pack it again without a password", info.file_size))  # fmt: skip
            elif info.filename.lower().endswith(".zip"):
                if depth >= limits.ARCHIVE_DEPTH:
                    result.append(Rejection(name, "", f"archives are nested deeper than {limits.ARCHIVE_DEPTH}",
                                            "unpack the inner archives", info.file_size))  # fmt: skip
                else:
                    with archive.open(info) as inner:
                        result += _members(inner, outer, (*above, info.filename), depth + 1)  # type: ignore[arg-type]
            else:
                result.append(SourceReference(name, outer.path, (*above, info.filename), info.file_size))
    return result
