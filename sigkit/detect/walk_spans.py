"""One walk over a long record: extremes of spans, and the blocks of those that show more than noise."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sigkit.detect.fine_blocks import Level
from sigkit.detect.level_blocks import SPAN_BLOCKS
from sigkit.detect.span_filler import SpanFiller

#: Samples read at a time (our choice: fewer cost more calls, more leave the cache before they are read again).
READ_SAMPLES = 1 << 21
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

    Examples
    --------
    >>> samples = np.zeros(5 * 20 * 16, dtype="int16")
    >>> samples[700:710] = 9
    >>> wanted = np.array([True, False, False, False, False])
    >>> walk_spans(samples, 16, Level(0.0, 1.0, 1), wanted, 1.5).looked.tolist()
    [True, False, True, False, False]
    """
    spans = wanted.size
    low, high = np.empty(spans, dtype=samples.dtype), np.empty(spans, dtype=samples.dtype)
    width = np.empty(spans)
    held = np.empty((4, -(-samples.shape[0] // length)), dtype=np.float32)
    filler = SpanFiller(samples, length, level, held)
    filler.fill_rest()
    looked = wanted.copy()
    at_once = _spans_at_once(length)
    starts = np.arange(min(at_once, spans)) * SPAN_BLOCKS * length
    for first in range(0, spans, at_once):
        here = slice(first, min(first + at_once, spans))
        count = here.stop - first
        flat = filler.rows[here].reshape(-1)
        # Cheaper by a quarter than to reduce rows of a table.
        np.minimum.reduceat(flat, starts[:count], out=low[here])
        np.maximum.reduceat(flat, starts[:count], out=high[here])
        width[here] = span_widths(low[here], high[here])
        looked[here] |= width[here] > limit
        filler.fill_roughly(here, low[here], high[here])
        filler.fill(first + np.flatnonzero(looked[here]))
        filler.count_read(count)
    return WalkedSpans(width, float(high.max()) - float(low.min()), looked, held)


def look_at_others(samples: NDArray, length: int, level: Level, walked: WalkedSpans) -> None:
    """Reduce the spans left out so far as well, in place."""
    filler = SpanFiller(samples, length, level, walked.held)
    left = np.flatnonzero(~walked.looked)
    if left.size > MOST_LEFT * walked.looked.size:
        # All in a row need no copy.
        left = np.arange(walked.looked.size)
    at_once = _spans_at_once(length)
    for first in range(0, left.size, at_once):
        part = left[first : first + at_once]
        filler.fill(part)
        # Pages come in by the neighbourhood: what lies between counts as read.
        filler.count_read(int(part[-1] + 1 - part[0]))
    walked.looked[:] = True


def span_widths(low: NDArray, high: NDArray) -> NDArray[np.float64]:
    """Return how far the values of spans reach, whatever the stored type."""
    return high.astype(np.float64) - low


def _spans_at_once(length: int) -> int:
    return max(1, READ_SAMPLES // (SPAN_BLOCKS * length))
