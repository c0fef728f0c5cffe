"""One walk over a long record: extremes of spans, and the blocks of those that show more than noise."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sigkit.detect.fine_blocks import Level, fine_blocks
from sigkit.detect.level_blocks import SPAN_BLOCKS
from sigkit.prepare.release_pages import release_pages

#: Samples read at a time (our choice: fewer cost more calls, more leave the cache before they are read again).
READ_SAMPLES = 1 << 21
#: Samples after which the pages of a memory map are given back (our choice: 128 MB of 16 bits).
RELEASE_SAMPLES = 1 << 26
#: Samples reduced to blocks in one go (our choice: their copies stay in the second-level cache).
AT_ONCE_SAMPLES = 1 << 18
#: Scatter in a quiet span as a share of its width: of a thousand normal numbers, 1 / 6.5 (mathematics).
SCATTER_SHARE = 0.15
#: With a larger share of spans left out it is cheaper to reduce all of them (our choice).
MOST_LEFT = 0.9


@dataclass(frozen=True, eq=False)
class WalkedSpans:
    """What a walk leaves of a record.

    Attributes
    ----------
    width : ndarray of float64, shape (s,)
        How far the stored values of each whole span reach.
    record_width : float
        How far those of all spans do.
    looked : ndarray of bool, shape (s,)
        Whether the blocks of the span are its own.
    held : ndarray of float32, shape (4, m)
        Minimum, maximum, mean and scatter of each block, as levels. The blocks of other spans take over the extremes
        of their span and the middle between them.
    """

    width: NDArray[np.float64]
    record_width: float
    looked: NDArray[np.bool_]
    held: NDArray[np.float32]


def walk_spans(samples: NDArray, length: int, level: Level, wanted: NDArray[np.bool_], limit: float) -> WalkedSpans:
    """Reduce a record to blocks, closely where a span is wanted or wider than a limit.

    Decided group by group, so that the samples are still in the cache when they are read a second time.

    Parameters
    ----------
    samples : ndarray, shape (n,)
        As stored.
    length : int
        Samples of a block.
    level : Level
    wanted : ndarray of bool, shape (s,)
        Whole spans to look at closely whatever they show.
    limit : float
        Stored values.

    Returns
    -------
    WalkedSpans
    """
    size = SPAN_BLOCKS * length
    spans = wanted.size
    low, high = np.empty(spans, dtype=samples.dtype), np.empty(spans, dtype=samples.dtype)
    width = np.empty(spans)
    held = np.empty((4, -(-samples.shape[0] // length)), dtype=np.float32)
    whole = spans * SPAN_BLOCKS
    for block in range(whole, held.shape[1]):
        part = np.ascontiguousarray(samples[block * length : (block + 1) * length])
        held[:, block] = fine_blocks(part[None, :], level)[:, 0]
    filler = _Filler.of(samples, length, level, held)
    looked = wanted.copy()
    at_once = max(1, READ_SAMPLES // size)
    starts = np.arange(min(at_once, spans)) * size
    for first in range(0, spans, at_once):
        part = slice(first, min(first + at_once, spans))
        flat = filler.rows[part].reshape(-1)
        # Cheaper by a quarter than to reduce rows of a table.
        np.minimum.reduceat(flat, starts[: part.stop - first], out=low[part])
        np.maximum.reduceat(flat, starts[: part.stop - first], out=high[part])
        width[part] = span_widths(low[part], high[part])
        looked[part] |= width[part] > limit
        filler.fill_roughly(part, low[part], high[part])
        filler.fill(first + np.flatnonzero(looked[part]))
        filler.count_read(flat.size)
    return WalkedSpans(width, float(high.max()) - float(low.min()), looked, held)


def look_at_others(samples: NDArray, length: int, level: Level, walked: WalkedSpans) -> None:
    """Reduce the spans left out so far as well, in place."""
    filler = _Filler.of(samples, length, level, walked.held)
    left = np.flatnonzero(~walked.looked)
    if left.size > MOST_LEFT * walked.looked.size:
        # All in a row need no copy.
        left = np.arange(walked.looked.size)
    at_once = max(1, READ_SAMPLES // (SPAN_BLOCKS * length))
    for first in range(0, left.size, at_once):
        part = left[first : first + at_once]
        filler.fill(part)
        # Pages come in by the neighbourhood: what lies between counts as read.
        filler.count_read(int(part[-1] + 1 - part[0]) * SPAN_BLOCKS * length)
    walked.looked[:] = True


def span_widths(low: NDArray, high: NDArray) -> NDArray[np.float64]:
    """Return how far the values of spans reach, whatever the stored type."""
    return high.astype(np.float64) - low


def _as_spans(blocks: NDArray[np.float32]) -> NDArray:
    """Return numbers of blocks as one item a span."""
    whole = blocks.reshape(blocks.shape[0], -1, SPAN_BLOCKS)
    return whole.view(f"V{SPAN_BLOCKS * whole.itemsize}")[..., 0]


@dataclass(eq=False)
class _Filler:
    """Samples by spans, where their blocks go, and room to work in that is used again."""

    samples: NDArray
    rows: NDArray
    level: Level
    length: int
    places: NDArray[np.float32]
    spans: NDArray
    copied: NDArray
    read: int = 0

    @classmethod
    def of(cls, samples: NDArray, length: int, level: Level, held: NDArray[np.float32]) -> _Filler:
        size = SPAN_BLOCKS * length
        spans = samples.shape[0] // size
        rows = np.asarray(samples)[: spans * size].reshape(spans, size)
        places = held[:, : spans * SPAN_BLOCKS].reshape(4, spans, SPAN_BLOCKS)
        at_once = max(1, AT_ONCE_SAMPLES // size)
        copied = np.empty((at_once, size), dtype=samples.dtype)
        return cls(samples, rows, level, length, places, _as_spans(held[:, : spans * SPAN_BLOCKS]), copied)

    def fill_roughly(self, part: slice, low: NDArray, high: NDArray) -> None:
        below, above, middle, scatter = rough = np.empty((4, low.size), dtype=np.float32)
        self.level.of(low, below if self.level.sign > 0 else above)
        self.level.of(high, above if self.level.sign > 0 else below)
        np.subtract(above, below, out=scatter)
        np.multiply(scatter, 0.5, out=middle)
        middle += below
        scatter *= SCATTER_SHARE
        self.places[:, part] = rough[:, :, None]

    def fill(self, spans: NDArray) -> None:
        for begin in range(0, spans.size, self.copied.shape[0]):
            part = spans[begin : begin + self.copied.shape[0]]
            first, last = int(part[0]), int(part[-1]) + 1
            if last - first == part.size and self.rows.flags.c_contiguous:
                # Neighbours need no copy.
                taken = self.rows[first:last]
                where: slice | NDArray = slice(first, last)
            else:
                taken, where = self.copied[: part.size], part
                self.rows[first:last].take(part - first, axis=0, out=taken, mode="clip")
            fine = fine_blocks(taken.reshape(-1, self.length), self.level)
            # A span at a time, which is cheaper than number by number.
            self.spans[:, where] = _as_spans(fine)

    def count_read(self, samples: int) -> None:
        self.read += samples
        if self.read >= RELEASE_SAMPLES:
            release_pages(self.samples)
            self.read = 0
