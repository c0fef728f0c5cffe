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
    per = max(8, round(SEGMENT_S * sample_rate_Hz / blocks.length))
    if m <= 1.5 * per:
        return np.full(m, _densest(blocks.mean[None, :])[0])
    half = per // 2
    starts = np.arange(0, m - per + 1, half)
    rows = np.lib.stride_tricks.sliding_window_view(blocks.mean, per)[starts]
    levels = _densest(rows)
    # A segment without a settled stretch stands out from its neighbours.
    if levels.size >= 3:
        padded = np.pad(levels, 1, mode="edge")
        levels = np.median(np.stack([padded[:-2], padded[1:-1], padded[2:]]), axis=0)
    return np.interp(np.arange(m), starts + 0.5 * (per - 1), levels)


def _densest(rows: NDArray) -> NDArray[np.float64]:
    ordered = np.sort(rows, axis=1)
    width = min(max(2, round(DENSE_SHARE * rows.shape[1])), rows.shape[1])
    spans = ordered[:, width - 1 :] - ordered[:, : rows.shape[1] - width + 1]
    first = spans.argmin(axis=1)
    sums = np.cumsum(np.pad(ordered, ((0, 0), (1, 0))), axis=1)
    index = np.arange(rows.shape[0])
    return (sums[index, first + width] - sums[index, first]) / width
