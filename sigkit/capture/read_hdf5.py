"""Read HDF5 files."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

from sigkit.capture import limits
from sigkit.capture.array_layout import captures_from_arrays
from sigkit.capture.assemble_captures import Origin
from sigkit.capture.check_hdf5 import file_heap_fault
from sigkit.capture.deferred_array import DeferredArray
from sigkit.contracts.reader import ReadOptions
from sigkit.types.capture import Capture

_SIGNATURE = b"\x89HDF\r\n\x1a\n"
#: Most objects looked at in one file (our choice).
_OBJECTS = 100_000


class Hdf5Reader:
    """Reads HDF5, and MATLAB files of version 7.3, which are HDF5.

    Contiguous data sets of a local file are memory-mapped; chunked or compressed ones are read. Attributes and
    scalars are statements for the arrays beside and below them.
    """

    name = "hdf5"
    suffixes = (".h5", ".hdf5", ".hdf", ".mat")
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
                items, attributes = _items(file, source, origin)
                return captures_from_arrays(items, options, origin, attributes)
        except (OSError, RuntimeError, ValueError, KeyError, TypeError, MemoryError) as fault:
            raise origin.error(f"cut off or damaged HDF5 file: {fault}", "copy or export the file again") from fault


def _items(file: Any, source: str | BinaryIO, origin: Origin) -> tuple[dict[str, Any], dict[str, dict[str, Any]]]:
    """Return arrays by path, not yet read, and attributes by the path of what carries them."""
    import h5py

    path = source if isinstance(source, str) else None
    items: dict[str, Any] = {}
    checked = False

    def check_heaps() -> None:
        """Look for damaged heaps once, before the first text of variable length is read."""
        nonlocal checked
        fault = "" if checked else file_heap_fault(source)
        checked = True
        if fault:
            raise origin.error("damaged HDF5 file: a heap of texts is broken", "copy or export the file again", fault)

    attributes: dict[str, dict[str, Any]] = {"": _attributes(file, check_heaps)}
    count = 0

    def visit(where: str, node: Any) -> None:
        nonlocal count
        count += 1
        if count > _OBJECTS:
            raise origin.error(f"more than {_OBJECTS} objects in the file", "store one recording a file")
        attributes[where] = _attributes(node, check_heaps)
        if not isinstance(node, h5py.Dataset) or node.shape is None:
            return
        matlab = attributes[where].pop("MATLAB_class", b"")
        if matlab in (b"char", "char") and node.dtype.kind == "u":
            # MATLAB keeps texts as UTF-16 code units.
            if node.size <= limits.HEADER_BYTES:
                items[where] = np.asarray(node[()]).ravel().astype("<u2").tobytes().decode("utf-16-le", "replace")
        elif h5py.check_string_dtype(node.dtype) is not None:
            if node.size <= limits.CHANNELS:
                check_heaps()
                items[where] = np.asarray(node.asstr()[()]).astype(str)
        elif node.dtype.kind in "iufb" or node.dtype.names is not None:
            items[where] = DeferredArray(node.shape, node.dtype, lambda: _load(node, path))

    file.visititems(visit)
    return items, attributes


def _attributes(node: Any, check_heaps: Callable[[], None]) -> dict[str, Any]:
    """Return attributes as text and numbers; those that cannot be read are passed over."""
    said: dict[str, Any] = {}
    for key in node.attrs:
        if key.startswith("MATLAB_") and key != "MATLAB_class":
            continue
        if node.attrs.get_id(key).dtype.kind == "O":
            check_heaps()
        try:
            value = node.attrs[key]
        except (OSError, TypeError):
            continue
        array = np.asarray(value)
        if array.dtype.kind == "O" and array.size <= limits.CHANNELS:
            value = np.array([str(item) for item in array.ravel()])
        if np.asarray(value).dtype.kind in "iufbSU" and np.asarray(value).size <= limits.CHANNELS:
            said[str(key)] = value
    return said


def _load(node: Any, path: str | None) -> NDArray:
    """Map a contiguous data set, read any other."""
    offset = node.id.get_offset() if path is not None and node.chunks is None and not node.external else None
    if path is not None and offset is not None and node.size:
        mapped = np.memmap(path, dtype=node.dtype, mode="r", offset=offset, shape=node.shape)
        # A header in front of the file (a user block) may or may not be counted in the offset: the ends must agree.
        ends = tuple(0 for _ in node.shape), tuple(side - 1 for side in node.shape)
        if all(mapped[end].tobytes() == np.asarray(node[end]).astype(node.dtype).tobytes() for end in ends):
            return mapped
    return np.asarray(node[()])
