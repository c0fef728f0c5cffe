"""The slow settled level of a record: where the quiet blocks lie densest."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sigkit.prepare.block_summary import BlockSummary

#: Length over which one level is taken, seconds (our choice: at least one quiet stretch at 600/min).
SEGMENT_S = 60e-3
#: Share of the blocks that the densest interval must hold (our choice: a shared coil at 6000/min leaves a
#: quarter of its period quiet).
DENSE_SHARE = 0.25
#: Block means sorted at a time (our choice: memory stays flat on long records, and the sorted ones in the cache).
AT_ONCE = 1 << 16


def settled_level(blocks: BlockSummary, sample_rate_Hz: float) -> NDArray[np.float64]:
    """Return the settled level for each block.

    In each segment it is the mean of the shortest interval that holds a quarter of the block means (a
    mode estimator: the sloping dwell and burn lines spread, the settled level does not).

    Parameters
    ----------
    blocks : BlockSummary
    sample_rate_Hz : float
        Of the samples, hertz.

    Returns
    -------
    ndarray of float64, shape (m,)
        Channel units, linear between segment centres.

    Examples
    --------
    >>> import numpy as np
    >>> from sigkit.types.channel import Channel
    >>> from sigkit.prepare.block_summary import summarise_blocks
    >>> rest = np.concatenate([np.full(60, 2.0), np.linspace(5, 9, 40)])
    >>> float(settled_level(summarise_blocks(Channel("1", rest, 20e3)), 20e3)[0])
    2.0
    """
    m = blocks.mean.size
    centres, levels = segment_levels(blocks.mean, max(8, round(SEGMENT_S * sample_rate_Hz / blocks.length)))
    return np.interp(np.arange(m), centres, levels)


def segment_levels(mean: NDArray, per: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the centres of half overlapping segments, in numbers of the list, and the settled level of each.

    Parameters
    ----------
    mean : ndarray, shape (m,)
        Block means, not empty.
    per : int
        Means in a segment; a list not much longer than this is one segment.

    Returns
    -------
    centres, levels : ndarray of float64, shape (s,)
        Centres are equally spaced.
    """
    m = mean.size
    if m <= 1.5 * per:
        return np.array([0.5 * (m - 1)]), _densest(mean[None, :])
    starts = np.arange(0, m - per + 1, per // 2)
    rows = np.lib.stride_tricks.sliding_window_view(mean, per)
    # Some at a time: the sorted copies are twice as long as the record.
    at_once = max(1, AT_ONCE // per)
    levels = np.concatenate([_densest(rows[starts[i : i + at_once]]) for i in range(0, starts.size, at_once)])
    # A segment without a settled stretch stands out from its neighbours.
    if levels.size >= 3:
        padded = np.pad(levels, 1, mode="edge")
        levels = np.median(np.stack([padded[:-2], padded[1:-1], padded[2:]]), axis=0)
    return np.asarray(starts + 0.5 * (per - 1), dtype=np.float64), np.asarray(levels, dtype=np.float64)


def _densest(rows: NDArray) -> NDArray[np.float64]:
    ordered = np.sort(rows, axis=1)
    width = min(max(2, round(DENSE_SHARE * rows.shape[1])), rows.shape[1])
    spans = ordered[:, width - 1 :] - ordered[:, : rows.shape[1] - width + 1]
    first = spans.argmin(axis=1)
    chosen = np.lib.stride_tricks.sliding_window_view(ordered, width, axis=1)[np.arange(first.size), first]
    return np.asarray(chosen.mean(axis=1, dtype=np.float64))
