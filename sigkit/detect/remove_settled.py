"""Count the blocks of a record from its settled level."""

from __future__ import annotations

import numpy as np

from sigkit.detect.level_blocks import AT_ONCE, LevelBlocks
from sigkit.prepare.settled_level import SEGMENT_S, segment_levels

#: In a record with quiet stretches each so many-th block mean is enough for the level (our choice: 300 of them are in
#: a segment).
STRIDE = 4


def remove_settled(blocks: LevelBlocks, sample_rate_Hz: float) -> None:
    """Take the settled level off the blocks, in place.

    Parameters
    ----------
    blocks : LevelBlocks
    sample_rate_Hz : float
        Of the samples, hertz.

    Examples
    --------
    >>> from sigkit.types.channel import Channel
    >>> from sigkit.prepare.block_summary import summarise_blocks
    >>> rest = np.concatenate([np.full(60, 2.0), np.linspace(5, 9, 40)])
    >>> blocks = LevelBlocks.from_summary(summarise_blocks(Channel("1", rest, 20e3)))
    >>> remove_settled(blocks, 20e3)
    >>> blocks.mean[:2].tolist()
    [0.0, 0.0]
    """
    m = blocks.mean.size
    per = max(8, round(SEGMENT_S * sample_rate_Hz / blocks.length))
    closely = int((blocks.runs[:, 1] - blocks.runs[:, 0]).sum())
    stride = STRIDE if closely < m and per >= 64 * STRIDE else 1
    centres, levels = segment_levels(blocks.mean[::stride], per // stride)
    for first in range(0, m, AT_ONCE):
        place = np.arange(first, min(first + AT_ONCE, m))
        blocks.subtract(first, np.interp(place, centres * stride, levels))
