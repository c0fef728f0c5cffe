"""Open a listed file as a stream: local, at an address, or inside nested zips, within limits."""

from __future__ import annotations

import io
import zipfile
import zlib
from contextlib import ExitStack
from typing import BinaryIO

from sigkit.capture import limits
from sigkit.capture.source_reference import SourceReference
from sigkit.errors import CaptureError

#: What reading a file, an address or a zip may raise.
READ_FAULTS = (OSError, EOFError, KeyError, ValueError, RuntimeError, NotImplementedError, ImportError, zlib.error,
               zipfile.BadZipFile)  # fmt: skip


def open_stream(path: str) -> BinaryIO:
    """Open a local path or an address that fsspec understands."""
    if "://" in path:
        import fsspec

        stream: BinaryIO = fsspec.open(path, "rb").open()
        return stream
    return open(path, "rb")


def growth_fault(info: zipfile.ZipInfo) -> str:
    """Return why a member must not be unpacked, ``""`` when it may.

    Examples
    --------
    >>> growth_fault(zipfile.ZipInfo("a.csv"))
    ''
    """
    grows = info.file_size > limits.COMPRESSION_RATIO * max(info.compress_size, 1)
    if info.file_size > limits.MEMORY_BYTES or (grows and info.file_size > limits.RATIO_FREE_BYTES):
        return f"it would grow from {info.compress_size} to {info.file_size} bytes"
    return ""


def open_reference(reference: SourceReference, stack: ExitStack) -> BinaryIO:
    """Open a listed file for reading; a zip member is unpacked into memory, never onto the disk.

    Parameters
    ----------
    reference : SourceReference
    stack : ExitStack
        Closes what was opened.

    Returns
    -------
    seekable binary stream

    Raises
    ------
    CaptureError
        When it cannot be opened or would grow beyond the limits.
    """
    try:
        stream = stack.enter_context(open_stream(reference.path))
        for depth, member in enumerate(reference.members):
            if depth >= limits.ARCHIVE_DEPTH:
                raise CaptureError(reference.name, f"archives are nested deeper than {limits.ARCHIVE_DEPTH}",
                                   "unpack the inner archives")  # fmt: skip
            archive = stack.enter_context(zipfile.ZipFile(stream))
            info = archive.getinfo(member)
            fault = growth_fault(info)
            if fault:
                raise CaptureError(reference.name, fault, "unpack it yourself if you trust it", f"member {member}")
            # zipfile stops at the size that was checked above, whatever the compressed stream holds.
            stream = io.BytesIO(archive.read(info))
    except READ_FAULTS as fault:
        raise CaptureError(reference.name, f"it cannot be read: {fault}",
                           "check that the file is complete, not locked by a password, and may be read",
                           f"member {reference.members[-1]}" if reference.members else "") from fault  # fmt: skip
    return stream
