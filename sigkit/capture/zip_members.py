"""List the members of a zip and of zips within it."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Callable
from pathlib import PurePosixPath
from typing import BinaryIO

from sigkit.capture import limits
from sigkit.capture.source_reference import Rejection, SourceReference
from sigkit.capture.source_stream import READ_FAULTS, growth_fault

_SIGNATURES = (b"PK\x03\x04", b"PK\x05\x06", b"PK\x07\x08")
#: Endings of files that are zips inside but no archives of captures.
_OTHER_ZIPS = (".npz", ".xlsx", ".xlsm", ".docx", ".pptx", ".ods", ".odt", ".odp", ".jar", ".whl", ".skops")


def is_zip_of_captures(head: bytes, name: str) -> bool:
    """Tell whether content is a zip to be listed: by its signature; the name only settles npz and office files.

    Examples
    --------
    >>> is_zip_of_captures(b"PK" + bytes([3, 4]), "a.dat"), is_zip_of_captures(b"RIFF", "a.zip")
    (True, False)
    """
    return head.startswith(_SIGNATURES) and not name.lower().endswith(_OTHER_ZIPS)


def list_members(
    stream: BinaryIO, outer: SourceReference, wanted: Callable[[str], bool]
) -> tuple[list[SourceReference], list[Rejection]]:
    """List a zip, and zips within it down to a fixed depth. Nothing is written to the disk.

    Parameters
    ----------
    stream : binary stream
        The zip.
    outer : SourceReference
        The zip, or a member of it that is a zip.
    wanted : callable
        Tells by the member's path whether it is listed.

    Returns
    -------
    references : list of SourceReference
    rejections : list of Rejection
        Members and inner zips that cannot be used, each with its reason.
    """
    references: list[SourceReference] = []
    rejections: list[Rejection] = []

    def reject(name: str, reason: str, remedy: str, size: int) -> None:
        rejections.append(Rejection(name, "", reason, remedy, size))

    try:
        with zipfile.ZipFile(stream) as archive:
            listed = archive.infolist()
            if len(listed) > limits.ARCHIVE_MEMBERS:
                raise ValueError(f"it lists {len(listed)} members, more than {limits.ARCHIVE_MEMBERS}")
            for info in listed:
                name = f"{outer.name}!{info.filename}"
                reference = SourceReference(name, outer.path, (*outer.members, info.filename), info.file_size)
                if info.is_dir() or not wanted(info.filename):
                    continue
                path = PurePosixPath(info.filename.replace("\\", "/"))
                if path.is_absolute() or ".." in path.parts or ":" in path.parts[0]:
                    reject(name, "the member's path leads out of the archive", "pack the files again", info.file_size)
                elif info.flag_bits & 1:
                    reject(name, "the member is locked by a password",
                           "unpack it, or pack it again without a password", info.file_size)  # fmt: skip
                elif not info.filename.lower().endswith(".zip"):
                    references.append(reference)
                elif len(reference.members) >= limits.ARCHIVE_DEPTH:
                    reject(name, f"archives are nested deeper than {limits.ARCHIVE_DEPTH}",
                           "unpack the inner archives", info.file_size)  # fmt: skip
                elif growth_fault(info):
                    reject(name, growth_fault(info), "unpack it yourself if you trust it", info.file_size)
                else:
                    try:
                        inner = io.BytesIO(archive.read(info))
                    except READ_FAULTS as fault:
                        reject(name, f"it cannot be unpacked: {fault}", "pack the files again", info.file_size)
                        continue
                    found, refused = list_members(inner, reference, wanted)
                    references += found
                    rejections += refused
    except READ_FAULTS as fault:
        reject(outer.name, f"the zip cannot be listed: {fault}", "copy it again, or pack the files again",
               outer.size_bytes)  # fmt: skip
    return references, rejections
