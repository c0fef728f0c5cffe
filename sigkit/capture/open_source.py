"""Open one listed file: find its reader by content, read it, apply what sidecar and profile say."""

from __future__ import annotations

import io
import zipfile
from contextlib import ExitStack
from typing import BinaryIO

from sigkit import registry
from sigkit.capture import limits
from sigkit.capture.source_reference import SourceReference
from sigkit.contracts.reader import Reader, ReadOptions
from sigkit.errors import CaptureError
from sigkit.types.capture import Capture


def open_source(reference: SourceReference, options: ReadOptions | None = None) -> list[Capture]:
    """Read one file into captures.

    Parameters
    ----------
    reference : SourceReference
    options : ReadOptions, optional
        What sidecar, profile and command line say before the file is read.

    Returns
    -------
    list of Capture
        Several when the file holds several sweeps.

    Raises
    ------
    CaptureError
        When no reader knows the content, or the one that does refuses it.
    """
    options = options or ReadOptions()
    with ExitStack() as stack:
        plain = not reference.members and "://" not in reference.path
        try:
            stream = _stream(reference, stack)
            head = stream.read(limits.SNIFF_BYTES)
            stream.seek(0)
        except (OSError, zipfile.BadZipFile, RuntimeError, NotImplementedError, EOFError, KeyError) as fault:
            remedy = "check the file and its rights"
            raise CaptureError(reference.name, f"it cannot be read: {fault}", remedy) from fault
        if not head:
            raise CaptureError(reference.name, "the file is empty", "record or copy it again")
        for reader in _candidates(head, reference.name):
            return list(reader.read(reference.path if plain else stream, reference.name, options))
    raise AssertionError("unreachable: _candidates raises when there is none")


def _candidates(head: bytes, name: str) -> list[Reader]:
    """Return readers by likelihood; the content decides, the name breaks a tie.

    Raises
    ------
    CaptureError
        When none knows the content; says what each one looked for.
    """
    ranked = []
    refused = []
    for plugin in registry.plugins("readers"):
        if plugin.problem:
            refused.append(f"{plugin.name}: broken plug-in ({plugin.problem})")
            continue
        reader = registry.load("readers", plugin.name)()
        likelihood = float(reader.sniff(head, name))
        named = name.lower().endswith(tuple(reader.suffixes))
        if likelihood > 0:
            ranked.append((-likelihood, not named, plugin.name, reader))
        else:
            refused.append(f"{plugin.name}: {getattr(reader, 'expects', 'not its content')}")
    if not ranked:
        raise CaptureError(
            name, "no reader knows this content; looked for: " + "; ".join(refused),
            "export the record as CSV, WAV, NumPy, HDF5, MATLAB or Parquet",
        )  # fmt: skip
    return [one[3] for one in sorted(ranked, key=lambda one: one[:3])]


def _stream(reference: SourceReference, stack: ExitStack) -> BinaryIO:
    if "://" in reference.path:
        import fsspec

        stream: BinaryIO = stack.enter_context(fsspec.open(reference.path, "rb"))
    else:
        stream = stack.enter_context(open(reference.path, "rb"))
    for member in reference.members:
        archive = stack.enter_context(zipfile.ZipFile(stream))
        info = archive.getinfo(member)
        grows = info.file_size > limits.COMPRESSION_RATIO * max(info.compress_size, 1)
        if info.file_size > limits.MEMORY_BYTES or (grows and info.file_size > limits.RATIO_FREE_BYTES):
            raise CaptureError(
                reference.name, f"it would grow to {info.file_size} bytes from {info.compress_size}",
                "unpack it yourself if you trust it",
            )  # fmt: skip
        stream = io.BytesIO(archive.read(info))
    return stream
