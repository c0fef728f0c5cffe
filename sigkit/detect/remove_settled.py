"""Count the blocks of a record from its settled level."""

from __future__ import annotations

import numpy as np

from sigkit.detect.level_blocks import LevelBlocks
from sigkit.prepare.settled_level import SEGMENT_S, segment_levels

#: In a record with quiet stretches each so many-th block mean is enough for the level (our choice: 150 of them are in
#: a segment).
STRIDE = 8
#: Segments worked on at a time (our choice: memory stays flat on long records).
AT_ONCE = 256


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
    stride = 1 if blocks.all_searched or per < 32 * STRIDE else STRIDE
    centres, levels = segment_levels(blocks.mean[::stride], per // stride)
    # Linear between centres, constant before the first and behind the last.
    begin = min(int(np.ceil(centres[0] * stride)), m)
    blocks.subtract(0, np.full(begin, levels[0]))
    if levels.size > 1:
        apart = round((centres[1] - centres[0]) * stride)
        share = ((begin - centres[0] * stride + np.arange(apart)) / apart).astype(np.float32)
        single = levels.astype(np.float32)
        for first in range(0, levels.size - 1, AT_ONCE):
            here = single[first : first + AT_ONCE + 1]
            ramps = np.diff(here)[:, None] * share
            ramps += here[:-1, None]
            blocks.subtract(begin, ramps.ravel())
            begin += ramps.size
    blocks.subtract(begin, np.full(m - begin, levels[-1]))
