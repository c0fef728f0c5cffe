"""Read NumPy npy and npz files."""

from __future__ import annotations

import ast
import math
import os
import zipfile
from collections.abc import Sequence
from typing import Any, BinaryIO

import numpy as np
from numpy.lib import format as npy_format

from sigkit.capture import limits
from sigkit.capture.array_layout import captures_from_arrays
from sigkit.capture.assemble_captures import Origin
from sigkit.contracts.reader import ReadOptions
from sigkit.types.capture import Capture

_NPY = b"\x93NUMPY"
_ZIP = b"PK\x03\x04"
_FAULTS = (ValueError, OSError, EOFError, KeyError, TypeError, SyntaxError, MemoryError, OverflowError,
           zipfile.BadZipFile, NotImplementedError, RuntimeError)


class NumpyReader:
    """Reads ``.npy`` (memory-mapped when it is a local file) and ``.npz``; objects are never unpickled.

    Arrays are chosen as in `sigkit.capture.array_layout`. An npy file holds no rate: the sidecar gives it.
    """

    name = "numpy"
    suffixes = (".npy", ".npz")
    expects = "begins with the NumPy signature, or is a zip of .npy members"

    def sniff(self, head: bytes, name: str) -> float:
        """Return 1 for the npy signature and for a zip whose first member is an npy file."""
        if head.startswith(_NPY):
            return 1.0
        if head.startswith(_ZIP) and len(head) >= 30:
            length = int.from_bytes(head[26:28], "little")
            return 1.0 if head[30 : 30 + length].endswith(b".npy") else 0.0
        return 0.0

    def read(self, source: str | BinaryIO, name: str, options: ReadOptions) -> Sequence[Capture]:
        """Read a path or stream; see the contract `sigkit.contracts.reader.Reader`."""
        origin = Origin(source if isinstance(source, str) else name, name, self.name)
        try:
            if isinstance(source, str):
                with open(source, "rb") as stream:
                    items = self._items(stream, source, origin)
            else:
                items = self._items(source, None, origin)
        except zipfile.BadZipFile as fault:
            raise origin.error(f"the npz is cut off or damaged ({fault}): an npz is a zip, whose list of arrays stands "
                               "at its end", "copy or export the file again") from fault  # fmt: skip
        except _FAULTS as fault:
            raise origin.error(f"cut off or damaged NumPy file: {fault}",
                               "save it again with numpy.save or numpy.savez, numbers only (no objects)") from fault
        return captures_from_arrays(items, options, origin)

    def _items(self, stream: BinaryIO, path: str | None, origin: Origin) -> dict[str, Any]:
        signature = stream.read(len(_NPY))
        stream.seek(0)
        if signature == _NPY:
            size = stream.seek(0, os.SEEK_END)
            stream.seek(0)
            _check_header(stream, size, "array", origin)
            if path is not None:
                return {"array": np.load(path, mmap_mode="r", allow_pickle=False)}
            stream.seek(0)
            return {"array": npy_format.read_array(stream, allow_pickle=False)}
        return self._members(stream, origin)

    def _members(self, stream: BinaryIO, origin: Origin) -> dict[str, Any]:
        items: dict[str, Any] = {}
        total = 0
        with zipfile.ZipFile(stream) as archive:
            for info in archive.infolist():
                if not info.filename.endswith(".npy"):
                    continue
                total += info.file_size
                bomb = (info.file_size > limits.RATIO_FREE_BYTES
                        and info.file_size > limits.COMPRESSION_RATIO * max(info.compress_size, 1))
                if total > limits.MEMORY_BYTES or bomb:
                    raise origin.error(
                        f"array {info.filename} would grow to {info.file_size} bytes from {info.compress_size}",
                        "store each array uncompressed as its own .npy file", f"member {info.filename}")
                with archive.open(info) as member:
                    _check_header(member, info.file_size, info.filename, origin)
                with archive.open(info) as member:
                    items[info.filename[:-4]] = npy_format.read_array(member, allow_pickle=False)
        return items


def _check_header(stream: Any, size: int, what: str, origin: Origin) -> None:
    """Refuse a header that claims more samples than the file holds, before any memory is taken."""
    version = npy_format.read_magic(stream)
    length = int.from_bytes(stream.read(2 if version[0] == 1 else 4), "little")
    if length > limits.SNIFF_BYTES:
        raise origin.error(f"the header claims {length} bytes", "save the array again with numpy.save",
                           f"header of {what}")
    header = ast.literal_eval(stream.read(length).decode("latin-1" if version[0] < 3 else "utf-8"))
    dtype = npy_format.descr_to_dtype(header["descr"])
    if dtype.hasobject:
        raise origin.error("the array holds Python objects, which are never loaded because they can run code",
                           "save a plain numeric array", f"header of {what}")
    present = size - length - (10 if version[0] == 1 else 12)
    needed = math.prod(header["shape"]) * dtype.itemsize
    if needed > present or min(header["shape"], default=1) < 0:
        raise origin.error(f"the header claims shape {header['shape']} of {dtype} = {needed} bytes, but {present} "
                           "bytes follow: the file is cut off", "copy or export the file again", f"header of {what}")
