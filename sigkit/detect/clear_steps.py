"""Swings behind which the level stays: all others are passed over where a burn line stands out of the noise."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sigkit.detect.level_blocks import LevelBlocks
from sigkit.detect.swing_candidates import Swings

#: A step counts from this share of the step that a tenth of the swings exceed (our choice on simulated engines: of 6000
#: firings on 129 leads with quiet spans the least had 0.26, of the swings two in three have less).
LEAST_SHARE = 0.1
#: Steps that say which is usual (our choice: 0.9 is met to 0.01).
MOST_SORTED = 10_000


def clear_steps(blocks: LevelBlocks, swings: Swings) -> NDArray[np.int64]:
    """Return the numbers of the swings that may be followed by a burn line or a ring about another level.

    Where all of the record was looked at a burn line may drown in noise: all swings count there.

    Parameters
    ----------
    blocks : LevelBlocks
    swings : Swings
        At least one.

    Returns
    -------
    ndarray of int64
        Ascending.

    Examples
    --------
    >>> quiet = np.zeros(99, dtype=np.float32)
    >>> blocks = LevelBlocks(50, 4950, 1.0, quiet, quiet, quiet, quiet, np.array([[20, 40]]), np.array([[20, 40]]))
    >>> step = np.array([9.0, -9.0, 8.0, 0.1], dtype=np.float32)
    >>> clear_steps(blocks, Swings(np.arange(20, 24), np.ones(4, dtype=np.int64), np.abs(step), step)).tolist()
    [0, 2]
    """
    if blocks.all_searched:
        return np.arange(swings.block.size)
    usual = float(np.quantile(swings.step[:: 1 + swings.step.size // MOST_SORTED], 0.9))
    return np.flatnonzero(swings.step >= LEAST_SHARE * max(usual, 0.0))
