"""Check the elements of a MATLAB 5 file before scipy reads them.

Own code, because ``scipy.io.loadmat`` ends the whole process on some damaged files (seen with scipy 1.17: a type
number outside its tables), and one bad file must not stop the rest. The layout is that of MathWorks' published
description of MAT-files, level 5, as scipy documents it.
"""

from __future__ import annotations

import math
import struct

#: Bytes of one item by element type.
_ITEM_BYTES = {1: 1, 2: 1, 3: 2, 4: 2, 5: 4, 6: 4, 7: 4, 9: 8, 12: 8, 13: 8, 16: 1, 17: 2, 18: 4}
_MATRIX, _COMPRESSED = 14, 15
_CELL, _STRUCTURE, _OBJECT, _TEXT, _SPARSE = 1, 2, 3, 4, 5
_NUMERIC = range(6, 16)
_COMPLEX = 0x0800
#: Deepest nesting followed, and most elements looked at (our choice).
_DEPTH, _ELEMENTS = 20, 1_000_000


class BrokenElement(ValueError):
    """An element contradicts the format; ``byte`` says where."""

    def __init__(self, reason: str, byte: int) -> None:
        super().__init__(f"{reason} at byte {byte}")
        self.byte = byte


def check_matlab(content: memoryview) -> None:
    """Walk all uncompressed elements; compressed ones carry a checksum of their own (RFC 1950).

    Parameters
    ----------
    content : memoryview of bytes
        The whole file.

    Raises
    ------
    BrokenElement
    """
    _Walk(content).file()


class _Walk:
    def __init__(self, content: memoryview) -> None:
        self.content = content
        self.order = "<" if bytes(content[126:128]) == b"IM" else ">"
        self.left = _ELEMENTS

    def tag(self, at: int, end: int) -> tuple[int, int, int, int]:
        """Return type, bytes, start of the data and start of the next element."""
        self.left -= 1
        if self.left < 0:
            raise BrokenElement("too many elements", at)
        if at + 8 > end:
            raise BrokenElement("the file is cut off: an element begins", at)
        first, second = struct.unpack(self.order + "2I", self.content[at : at + 8])
        if first >> 16:
            kind, size, start, following = first & 0xFFFF, first >> 16, at + 4, at + 8
            if size > 4:
                raise BrokenElement("a short element claims more than 4 bytes", at)
        else:
            kind, size, start = first, second, at + 8
            following = start + (size if kind == _COMPRESSED else -(-size // 8) * 8)
        if start + size > end:
            raise BrokenElement(f"the file is cut off or damaged: an element claims {size} bytes", at)
        return kind, size, start, min(following, end)

    def file(self) -> None:
        end = len(self.content)
        at = 128
        while at < end:
            kind, size, start, following = self.tag(at, end)
            if kind == _MATRIX:
                self.matrix(start, start + size, 0)
            elif kind != _COMPRESSED:
                raise BrokenElement(f"element type {kind} where a matrix was expected", at)
            at = following

    def expect(self, at: int, end: int, kinds: tuple[int, ...]) -> tuple[int, int, int]:
        """Return bytes, start and next of an element that must have one of some types."""
        kind, size, start, following = self.tag(at, end)
        if kind not in kinds:
            raise BrokenElement(f"element type {kind} where {' or '.join(map(str, kinds))} was expected", at)
        return size, start, following

    def numbers(self, at: int, end: int, count: int | None) -> int:
        kind, size, _, following = self.tag(at, end)
        item = _ITEM_BYTES.get(kind)
        if item is None or size % item or (count is not None and size != count * item):
            raise BrokenElement(f"{size} bytes of type {kind} do not hold {count} numbers", at)
        return following

    def matrix(self, at: int, end: int, depth: int) -> None:
        if at == end:  # an empty cell
            return
        if depth > _DEPTH:
            raise BrokenElement("elements are nested too deep", at)
        size, start, following = self.expect(at, end, (6,))
        if size != 8:
            raise BrokenElement("array flags of a wrong size", at)
        flags = struct.unpack(self.order + "I", self.content[start : start + 4])[0]
        kind = flags & 0xFF
        if kind == 17:  # an object of unknown layout has no dimensions; scipy passes it over
            raise BrokenElement("an object that only MATLAB itself can read", at)
        size, start, following = self.expect(following, end, (5,))
        if size % 4 or not 8 <= size <= 128:
            raise BrokenElement("dimensions of a wrong size", start)
        shape = struct.unpack(f"{self.order}{size // 4}i", self.content[start : start + size])
        if min(shape) < 0:
            raise BrokenElement(f"negative dimensions {shape}", start)
        count = math.prod(shape)
        _, _, at = self.expect(following, end, (1, 2, 16))
        if kind in _NUMERIC:
            for _ in range(2 if flags & _COMPLEX else 1):
                at = self.numbers(at, end, count)
        elif kind == _TEXT:
            self.text(at, end, count)
        elif kind == _SPARSE:
            for _ in range(4 if flags & _COMPLEX else 3):
                at = self.numbers(at, end, None)
        elif kind == _CELL:
            self.matrices(at, end, count, depth)
        elif kind in (_STRUCTURE, _OBJECT):
            if kind == _OBJECT:
                _, _, at = self.expect(at, end, (1, 2, 16))
            size, start, following = self.expect(at, end, (5,))
            length = struct.unpack(self.order + "i", self.content[start : start + 4])[0] if size == 4 else 0
            size, _, following = self.expect(following, end, (1, 2, 16))
            if length <= 0 or size % length:
                raise BrokenElement("field names of a wrong length", at)
            self.matrices(following, end, count * (size // length), depth)
        else:
            raise BrokenElement(f"array class {kind} is not known or cannot be used", at)

    def text(self, at: int, end: int, count: int) -> None:
        size, _, _ = self.expect(at, end, (1, 2, 4, 16, 17, 18))
        if size < count and self.tag(at, end)[0] != 16:
            raise BrokenElement(f"{size} bytes do not hold {count} characters", at)

    def matrices(self, at: int, end: int, count: int, depth: int) -> None:
        if count > self.left:
            raise BrokenElement(f"{count} elements are claimed", at)
        for _ in range(count):
            size, start, at = self.expect(at, end, (_MATRIX,))
            self.matrix(start, start + size, depth + 1)
