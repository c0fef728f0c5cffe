"""Large swings and those behind which the level stays; the rest is passed over where a burn stands out of the noise."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sigkit.detect.level_blocks import LevelBlocks
from sigkit.detect.swing_candidates import Swings

#: A step and a size count from these shares of what a tenth of the swings exceed (our choice on simulated engines: of
#: 6919 firings on 159 leads with quiet spans those without a step, which had no burn, had a size of 1.05 at least; of
#: the swings half have less of either).
LEAST_STEP = 0.1
LEAST_SIZE = 0.3
#: Swings that say what is usual (our choice: 0.9 is met to 0.01).
MOST_SORTED = 10_000


def clear_swings(blocks: LevelBlocks, swings: Swings) -> NDArray[np.int64]:
    """Return the numbers of the swings that may be a spike, or be followed by another level.

    Where all of the record is searched a burn line may drown in noise: all swings count there.

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
    >>> step, size = np.array([[9.0, -9.0, 0.1, 0.2], [1.0, 90.0, 90.0, 1.0]], dtype=np.float32)
    >>> clear_swings(blocks, Swings(np.arange(20, 24), np.ones(4, dtype=np.int8), size, step)).tolist()
    [0, 1, 2]
    """
    if blocks.all_searched:
        return np.arange(swings.block.size)
    some = slice(None, None, 1 + swings.block.size // MOST_SORTED)
    step, size = (max(float(np.quantile(values[some], 0.9)), 0.0) for values in (swings.step, swings.size))
    return np.flatnonzero((swings.step >= LEAST_STEP * step) | (swings.size >= LEAST_SIZE * size))
