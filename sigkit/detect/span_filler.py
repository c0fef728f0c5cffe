"""The blocks of spans of a long record: closely, or as the extremes of the span tell them."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from sigkit.detect.fine_blocks import Level, fine_blocks, new_room
from sigkit.detect.level_blocks import SPAN_BLOCKS
from sigkit.prepare.release_pages import release_pages

#: Samples after which the pages of a memory map are given back (our choice: 128 MB of 16 bits).
RELEASE_SAMPLES = 1 << 26
#: Samples copied together before they are reduced (our choice: they stay in the cache).
COPIED_SAMPLES = 1 << 18
#: Scatter in a quiet span as a share of its width: of a thousand normal numbers, 1 / 6.5 (mathematics).
SCATTER_SHARE = 0.15


@dataclass(eq=False)
class SpanFiller:
    """Fills the blocks of spans; its room is used again from call to call.

    Attributes
    ----------
    samples : ndarray, shape (n,)
        As stored, a memory map perhaps.
    length : int
        Samples of a block.
    level : Level
    held : ndarray of float32, shape (4, m)
        Minimum, maximum, mean and scatter of each block, to be filled.
    """

    samples: NDArray
    length: int
    level: Level
    held: NDArray[np.float32]
    _read: int = field(default=0, init=False)

    def __post_init__(self) -> None:
        self._size = SPAN_BLOCKS * self.length
        spans = self.samples.shape[0] // self._size
        #: Whole spans of samples, one a row.
        self.rows: NDArray = np.asarray(self.samples)[: spans * self._size].reshape(spans, self._size)
        self._places = self.held[:, : spans * SPAN_BLOCKS].reshape(4, spans, SPAN_BLOCKS)
        self._copied = np.empty((max(1, COPIED_SAMPLES // self._size), self._size), dtype=self.samples.dtype)
        self._room = new_room(self.length)

    def fill_rest(self) -> None:
        """Fill the blocks behind the last whole span."""
        for block in range(self._places.shape[1] * SPAN_BLOCKS, self.held.shape[1]):
            part = np.ascontiguousarray(self.samples[block * self.length : (block + 1) * self.length])
            self.held[:, block] = fine_blocks(part[None, :], self.level, self._room)[:, 0]

    def fill_roughly(self, part: slice, low: NDArray, high: NDArray) -> None:
        """Give the blocks of neighbouring spans the smallest and largest stored values of their span."""
        below, above, middle, scatter = rough = np.empty((4, low.size), dtype=np.float32)
        self.level.of(low, below if self.level.sign > 0 else above)
        self.level.of(high, above if self.level.sign > 0 else below)
        np.subtract(above, below, out=scatter)
        np.multiply(scatter, 0.5, out=middle)
        middle += below
        scatter *= SCATTER_SHARE
        self._places[:, part] = rough[:, :, None]

    def fill(self, spans: NDArray) -> None:
        """Reduce the blocks of spans, given in ascending order."""
        places = _as_items(self._places)
        for begin in range(0, spans.size, self._copied.shape[0]):
            part = spans[begin : begin + self._copied.shape[0]]
            first, last = int(part[0]), int(part[-1]) + 1
            where: slice | NDArray = part
            if last - first == part.size and self.rows.flags.c_contiguous:
                # Neighbours need no copy.
                taken, where = self.rows[first:last], slice(first, last)
            else:
                taken = self._copied[: part.size]
                self.rows[first:last].take(part - first, axis=0, out=taken, mode="clip")
            fine = fine_blocks(taken.reshape(-1, self.length), self.level, self._room)
            places[:, where] = _as_items(fine.reshape(4, part.size, SPAN_BLOCKS))

    def count_read(self, spans: int) -> None:
        """Give pages back from time to time."""
        self._read += spans * self._size
        if self._read >= RELEASE_SAMPLES:
            release_pages(self.samples)
            self._read = 0


def _as_items(spans: NDArray[np.float32]) -> NDArray:
    """Return the numbers of a span as one item, which is cheaper to place than number by number."""
    return spans.view(f"V{spans.shape[-1] * spans.itemsize}")[..., 0]
