"""Read MATLAB files of versions 4 to 7.2; version 7.3 is HDF5."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, BinaryIO

import numpy as np

from sigkit.capture.array_layout import captures_from_arrays
from sigkit.capture.assemble_captures import Origin
from sigkit.contracts.reader import ReadOptions
from sigkit.types.capture import Capture

_TEXT = b"MATLAB 5.0 MAT-file"


class MatlabReader:
    """Reads ``.mat`` files through scipy; structures and objects are passed over."""

    name = "matlab"
    suffixes = (".mat",)
    expects = "begins with the text of a MATLAB 5 file"

    def sniff(self, head: bytes, name: str) -> float:
        """Return 1 for the text header of version 5 to 7.2, a little for an old file by its name."""
        if head.startswith(_TEXT):
            return 1.0
        old = head[:4] in (b"\x00\x00\x00\x00", b"\x0a\x00\x00\x00", b"\x1e\x00\x00\x00")
        return 0.4 if old and name.lower().endswith(".mat") else 0.0

    def read(self, source: str | BinaryIO, name: str, options: ReadOptions) -> Sequence[Capture]:
        """Read a path or stream; see the contract `sigkit.contracts.reader.Reader`."""
        from scipy.io import loadmat
        from scipy.io.matlab import MatReadError

        origin = Origin(source if isinstance(source, str) else name, name, self.name)
        try:
            held: dict[str, Any] = loadmat(source, struct_as_record=True, squeeze_me=False)
        except (MatReadError, ValueError, TypeError, OSError, EOFError, KeyError, NotImplementedError,
                MemoryError, IndexError, OverflowError) as fault:  # fmt: skip
            raise origin.error(f"damaged MATLAB file: {fault}",
                               "save it again, as plain numeric arrays") from fault  # fmt: skip
        items: dict[str, Any] = {}
        for key, value in held.items():
            array = np.asarray(value)
            if key.startswith("__") or array.dtype.kind not in "iufbU":
                continue
            # MATLAB pads texts of one array to a common length and keeps vectors as one row.
            if array.dtype.kind == "U":
                items[key] = np.array([text.rstrip() for text in array.ravel().tolist()])
            else:
                items[key] = array.ravel() if array.ndim == 2 and 1 in array.shape else array
        return captures_from_arrays(items, options, origin)
