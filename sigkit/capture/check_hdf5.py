"""Check the heaps of variable-length texts of an HDF5 file before they are read.

Own code, because the HDF5 library (seen with 1.14, through h5py 3.16) never returns from a damaged heap, and one bad
file must not stop the rest. The layout is that of the HDF5 File Format Specification, III.E, Global Heap.
"""

from __future__ import annotations

import mmap
import os
import struct
from typing import BinaryIO

_SIGNATURE = b"GCOL"
#: Bytes of a collection's header and of an object's header, with 8-byte lengths.
_HEADER = 16
#: Smallest collection the specification allows.
_SMALLEST = 4096


def heap_fault(content: bytes | mmap.mmap) -> str:
    """Return where a heap is damaged, ``""`` when none is.

    Parameters
    ----------
    content : bytes or mmap
        The whole file.

    Examples
    --------
    >>> heap_fault(b"no heap")
    ''
    """
    at = content.find(_SIGNATURE)
    while at >= 0:
        version, size = content[at + 4 : at + 8], content[at + 8 : at + 16]
        # Samples may spell the signature by chance; then version and size do not fit.
        if at % 8 == 0 and version == b"\x01\x00\x00\x00" and len(size) == 8:
            length = struct.unpack("<Q", size)[0]
            if length >= _SMALLEST:
                if at + length > len(content):
                    return f"byte {at}: a heap of {length} bytes reaches behind the end of the file"
                place = at + _HEADER
                end = at + length
                while end - place >= _HEADER:
                    index, _, _, used = struct.unpack("<HHIQ", content[place : place + _HEADER])
                    if index == 0 and place + used != end:
                        return f"byte {place}: free space of {used} bytes does not end with its heap"
                    if index == 0:
                        break
                    place += _HEADER + -(-used // 8) * 8
                if place > end:
                    return f"byte {at}: an object reaches behind the end of its heap"
        at = content.find(_SIGNATURE, at + 4)
    return ""


def file_heap_fault(source: str | BinaryIO) -> str:
    """Return `heap_fault` of a path or a stream, whose position is kept."""
    if isinstance(source, str):
        with open(source, "rb") as stream, mmap.mmap(stream.fileno(), 0, access=mmap.ACCESS_READ) as mapped:
            return heap_fault(mapped)
    position = source.tell()
    source.seek(0, os.SEEK_SET)
    content = source.read()
    source.seek(position)
    return heap_fault(content)
