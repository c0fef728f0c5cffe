"""Small swings without a step are passed over where a burn line stands out of the noise, and only there."""

from __future__ import annotations

import numpy as np
import pytest

from sigkit.detect.clear_swings import LEAST_SIZE, LEAST_STEP, clear_swings
from sigkit.detect.level_blocks import LevelBlocks
from sigkit.detect.swing_candidates import Swings


def _swings(step, size):
    step, size = np.broadcast_arrays(np.asarray(step, dtype=np.float32), np.asarray(size, dtype=np.float32))
    return Swings(np.arange(step.size), np.ones(step.size, dtype=np.int8), size, step)


def _blocks(last):
    level = np.zeros(1000, dtype=np.float32)
    runs = np.array([[0, last]])
    return LevelBlocks(50, 50_000, 1.0, level, level, level, level, runs, runs)


@pytest.mark.parametrize("largest", [1.0, 1e6])
@pytest.mark.parametrize("by_step", [True, False])
def test_steps_and_sizes_count_from_a_share_of_the_usual_large_ones_whatever_the_largest(largest, by_step):
    least = LEAST_STEP if by_step else LEAST_SIZE
    values = np.concatenate([np.full(60, 100.0), np.full(100, 1.01 * least * 100.0), np.full(339, 0.5), [largest]])
    # Of the other kind none is large but one.
    other = np.append(np.zeros(499), 1.0)
    other[400:460] = 1.0
    swings = _swings(values, other) if by_step else _swings(other, values)
    kept = set(clear_swings(_blocks(500), swings).tolist())
    assert {*range(160), *range(400, 460)} <= kept <= {*range(160), *range(400, 460), 499}


def test_no_swing_is_passed_over_where_all_is_searched():
    assert clear_swings(_blocks(1000), _swings(np.linspace(-3.0, 3.0, 400), np.linspace(5.0, 0.0, 400))).size == 400


def test_where_nothing_steps_up_small_swings_that_step_down_are_passed_over():
    size = np.append(np.full(399, 1.0), 0.1)
    size[:300] = 0.1
    assert clear_swings(_blocks(500), _swings(np.append(np.full(399, -1.0), 2.0), size)).tolist() == [*range(300, 400)]
