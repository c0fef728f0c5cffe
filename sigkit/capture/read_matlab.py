"""Read MATLAB files of versions 4 to 7.2; version 7.3 is HDF5."""

from __future__ import annotations

import io
import math
import mmap
import struct
import zlib
from collections.abc import Sequence
from typing import Any, BinaryIO

import numpy as np

from sigkit.capture import limits
from sigkit.capture.array_layout import captures_from_arrays
from sigkit.capture.assemble_captures import Origin
from sigkit.capture.check_matlab import check_matlab
from sigkit.capture.read_hdf5 import Hdf5Reader
from sigkit.contracts.reader import ReadOptions
from sigkit.types.capture import Capture

_TEXT = b"MATLAB 5.0 MAT-file"
_TEXT_7_3 = b"MATLAB 7.3 MAT-file"
_FAULTS = (ValueError, TypeError, OSError, EOFError, KeyError, NotImplementedError, MemoryError, IndexError,
           OverflowError, AttributeError, struct.error, zlib.error)  # fmt: skip
#: Deepest structure followed (our choice).
_DEPTH = 4


class MatlabReader:
    """Reads ``.mat`` files through scipy; fields of structures are named ``structure/field``."""

    name = "matlab"
    suffixes = (".mat",)
    expects = "begins with the text of a MATLAB 5 file or the header of a MATLAB 4 matrix"

    def sniff(self, head: bytes, name: str) -> float:
        """Return 1 for the text header of version 5 to 7.2, and 0.7 for a consistent header of version 4."""
        if head.startswith(_TEXT) or (len(head) >= 128 and head[126:128] in (b"IM", b"MI") and head[124:126] in (
                b"\x00\x01", b"\x01\x00")):  # fmt: skip
            return 1.0
        return 0.7 if _is_version_4(head) else 0.0

    def read(self, source: str | BinaryIO, name: str, options: ReadOptions) -> Sequence[Capture]:
        """Read a path or stream; see the contract `sigkit.contracts.reader.Reader`."""
        from scipy.io import loadmat, whosmat
        from scipy.io.matlab import MatReadError

        origin = Origin(source if isinstance(source, str) else name, name, self.name)
        try:
            stream = open(source, "rb") if isinstance(source, str) else source
            with stream if isinstance(source, str) else io.BytesIO():
                start = stream.read(len(_TEXT_7_3))
                stream.seek(0)
                if start == _TEXT_7_3:
                    return Hdf5Reader().read(source, name, options)
                if 0 not in start[:4]:  # as scipy does: a zero there means version 4
                    _check(stream)
                claimed = sum(8 * math.prod(shape) for _, shape, _ in whosmat(stream))
                if claimed > limits.MEMORY_BYTES:
                    remedy = "store channels in separate files"
                    raise origin.error(f"its arrays claim {claimed} bytes of memory", remedy)
                stream.seek(0)
                held: dict[str, Any] = loadmat(stream, struct_as_record=True, squeeze_me=False)
        except (*_FAULTS, MatReadError) as fault:
            raise origin.error(f"cut off or damaged MATLAB file: {fault}",
                               "save it again, as plain numeric arrays") from fault  # fmt: skip
        items: dict[str, Any] = {}
        for key, value in held.items():
            if not key.startswith("__"):
                _flatten(key, value, items, _DEPTH)
        return captures_from_arrays(items, options, origin)


def _check(stream: BinaryIO) -> None:
    """Check the elements in place: mapped from a file, or in the memory of a stream."""
    stream.seek(0)
    try:
        with mmap.mmap(stream.fileno(), 0, access=mmap.ACCESS_READ) as mapped, memoryview(mapped) as view:
            check_matlab(view)
    except io.UnsupportedOperation:
        check_matlab(memoryview(stream.read()))
    stream.seek(0)


def _is_version_4(head: bytes) -> bool:
    """Check the five whole numbers and the name that begin a matrix of version 4 (scipy.io documents the layout)."""
    if len(head) < 22:
        return False
    for order in "<>":
        kind, rows, columns, imaginary, length = struct.unpack(order + "5i", head[:20])
        digits = kind // 1000, kind // 100 % 10, kind // 10 % 10, kind % 10
        if (0 <= kind < 5000 and digits[1] == 0 and digits[2] <= 5 and digits[3] <= 2 and rows >= 0 and columns >= 0
                and imaginary in (0, 1) and 2 <= length <= 64):  # fmt: skip
            text = head[20 : 20 + length]
            if text.endswith(b"\x00") and text[:-1].decode("latin-1").isidentifier():
                return True
    return False


def _flatten(path: str, value: Any, items: dict[str, Any], depth: int) -> None:
    """Put arrays and texts under their path; structures and cells become groups."""
    array = np.asarray(value)
    if array.dtype.names is not None:
        for number, record in enumerate(array.ravel()):
            where = path if array.size == 1 else f"{path}/{number + 1}"
            for field in array.dtype.names:
                if depth:
                    _flatten(f"{where}/{field}", record[field], items, depth - 1)
    elif array.dtype.kind == "O":
        cells = [np.asarray(cell) for cell in array.ravel()]
        if cells and all(cell.dtype.kind == "U" for cell in cells):
            items[path] = np.array(["".join(cell.ravel().tolist()) for cell in cells])
        elif depth:
            for number, cell in enumerate(cells):
                _flatten(f"{path}/{number + 1}", cell, items, depth - 1)
    elif array.dtype.kind == "U":
        # MATLAB pads texts of one array to a common length.
        items[path] = np.array([text.rstrip() for text in array.ravel().tolist()])
    elif array.dtype.kind in "iufb":
        # It keeps a vector as one row or one column.
        items[path] = array.ravel() if array.ndim == 2 and 1 in array.shape else array
