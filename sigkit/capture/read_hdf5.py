"""Read HDF5 files."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, BinaryIO

import numpy as np

from sigkit.capture import limits
from sigkit.capture.array_layout import captures_from_arrays
from sigkit.capture.assemble_captures import Origin
from sigkit.contracts.reader import ReadOptions
from sigkit.types.capture import Capture

_SIGNATURE = b"\x89HDF\r\n\x1a\n"
#: Most data sets looked at in one file (our choice).
_DATASETS = 10_000


class Hdf5Reader:
    """Reads HDF5, and MATLAB files of version 7.3, which are HDF5. Attributes are statements of the file."""

    name = "hdf5"
    suffixes = (".h5", ".hdf5", ".mat")
    expects = "begins with the HDF5 signature"

    def sniff(self, head: bytes, name: str) -> float:
        """Return 1 for the HDF5 signature, also behind the 512-byte header of a MATLAB file."""
        return 1.0 if head.startswith(_SIGNATURE) or head[512:520] == _SIGNATURE else 0.0

    def read(self, source: str | BinaryIO, name: str, options: ReadOptions) -> Sequence[Capture]:
        """Read a path or stream; see the contract `sigkit.contracts.reader.Reader`."""
        import h5py

        origin = Origin(source if isinstance(source, str) else name, name, self.name)
        try:
            with h5py.File(source, "r") as file:
                items, attributes = _items(file, origin)
        except (OSError, RuntimeError, ValueError, KeyError, MemoryError) as fault:
            raise origin.error(f"damaged HDF5 file: {fault}", "copy or export the file again") from fault
        return captures_from_arrays(items, options, origin, attributes)


def _items(file: Any, origin: Origin) -> tuple[dict[str, Any], dict[str, Any]]:
    """Return data sets by path and all attributes by name; sizes are checked before anything is read."""
    import h5py

    found: dict[str, Any] = {}
    attributes: dict[str, Any] = {str(key): value for key, value in file.attrs.items()}

    def visit(path: str, node: Any) -> None:
        if len(found) >= _DATASETS:
            return
        for key, value in node.attrs.items():
            if not key.startswith("MATLAB_"):
                attributes.setdefault(str(key), value)
        if isinstance(node, h5py.Dataset) and node.dtype.kind in "iufbSO" and node.shape is not None:
            found[path] = node

    file.visititems(visit)
    total = sum(int(np.prod(node.shape)) * node.dtype.itemsize for node in found.values())
    if total > limits.MEMORY_BYTES:
        raise origin.error(f"the data sets would take {total} bytes of memory", "store channels in separate files")
    items: dict[str, Any] = {}
    for path, node in found.items():
        value = node.asstr()[()] if h5py.check_string_dtype(node.dtype) else node[()]
        if np.asarray(value).dtype.kind != "O" or np.asarray(value).size <= limits.CHANNELS:
            array = np.asarray(value)
            items[path] = array.astype(str) if array.dtype.kind == "O" else array
    return items, attributes
