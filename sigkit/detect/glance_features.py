"""A swing at a glance: a few levels around it, enough to pass over most of those that are no switching-off."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sigkit.detect.candidate_features import LEAST, RecordScale
from sigkit.detect.level_blocks import LevelBlocks
from sigkit.detect.swing_candidates import Swings

#: Where mean levels are taken, milliseconds about the swing (our choice: dwell, spike, burn, its end).
AT_MS = (-4.0, -2.0, -1.0, -0.5, -0.2, -0.1, 0.0, 0.1, 0.2, 0.35, 0.6, 1.0, 1.5, 2.2, 3.5)
#: Features beside the mean levels.
OTHERS = ("highest", "lowest", "scatter", "size_to_largest", "size_to_usual", "noise_to_size", "log_rate")
GLANCE_COUNT = len(AT_MS) + len(OTHERS)


def glance_features(
    blocks: LevelBlocks, sample_rate_Hz: float, record_scale: RecordScale, swings: Swings
) -> NDArray[np.float32]:
    """Describe each swing by levels around it, turned so that it goes up and compared with its size.

    Parameters
    ----------
    blocks : LevelBlocks
        Counted from the settled level.
    sample_rate_Hz : float
    record_scale : RecordScale
    swings : Swings
        n candidates.

    Returns
    -------
    ndarray of float32, shape (n, GLANCE_COUNT)
        Finite; levels off the record are 0.
    """
    m = blocks.mean.size
    result = np.empty((GLANCE_COUNT, swings.block.size), dtype=np.float32)
    size = np.maximum(swings.size, np.float32(LEAST))
    turn = swings.direction.astype(np.float32) / size
    away = np.round(np.asarray(AT_MS) * 1e-3 * sample_rate_Hz / blocks.length).astype(np.int64)
    first = int(swings.block[0] + away[0]) if swings.block.size else 0
    inside = swings.block.size > 0 and first >= 0 and int(swings.block[-1] + away[-1]) < m
    near = swings.block - first + away[0]
    for row, step in enumerate(away):
        if inside:
            # Of shifted levels the same numbers are taken each time.
            blocks.mean[first + step - away[0] :].take(near, mode="clip", out=result[row])
            continue
        at = swings.block + step
        result[row] = np.where((at >= 0) & (at < m), blocks.mean.take(at, mode="clip"), 0.0)
    row = away.size
    result[row] = blocks.maximum.take(swings.block)
    result[row + 1] = blocks.minimum.take(swings.block)
    result[:row + 2] *= turn
    result[row + 2] = blocks.scatter.take(swings.block) / size
    # Compressed without a logarithm: a tenth of the size is told from nothing, many times the size are alike.
    levels = result[:row + 3]
    divisor = np.abs(levels)
    divisor += np.float32(0.3)
    levels /= divisor
    down = swings.direction < 0
    result[row], result[row + 1] = (np.where(down, result[row + 1 - k], result[row + k]) for k in range(2))
    result[row + 3] = np.log10(np.maximum(size / np.float32(record_scale.largest), np.float32(1e-6)))
    result[row + 4] = np.log10(np.clip(size / np.float32(record_scale.usual), np.float32(1e-6), np.float32(1e6)))
    result[row + 5] = np.log10(np.clip(np.float32(record_scale.noise) / size, np.float32(1e-6), np.float32(1e3)))
    result[row + 6] = np.log10(sample_rate_Hz) - 5.0
    return result.T
