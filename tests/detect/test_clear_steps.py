"""Swings without a step are passed over where a burn line stands out of the noise, and only there."""

from __future__ import annotations

import numpy as np
import pytest

from sigkit.detect.clear_steps import LEAST_SHARE, clear_steps
from sigkit.detect.level_blocks import LevelBlocks
from sigkit.detect.swing_candidates import Swings


def _swings(step):
    step = np.asarray(step, dtype=np.float32)
    return Swings(np.arange(step.size), np.ones(step.size, dtype=np.int8), np.abs(step), step)


def _blocks(last):
    level = np.zeros(1000, dtype=np.float32)
    runs = np.array([[0, last]])
    return LevelBlocks(50, 50_000, 1.0, level, level, level, level, runs, runs)


@pytest.mark.parametrize("largest", [1.0, 1e6])
def test_steps_count_from_a_share_of_the_usual_large_one_whatever_the_largest(largest):
    step = np.concatenate([np.full(60, 100.0), np.full(100, 1.01 * LEAST_SHARE * 100.0), np.full(339, 0.5), [largest]])
    kept = clear_steps(_blocks(500), _swings(step))
    assert set(range(160)) <= set(kept.tolist()) <= {*range(160), 499}


def test_no_swing_is_passed_over_where_all_is_searched_or_nothing_steps_up():
    step = np.linspace(-3.0, 3.0, 400)
    assert clear_steps(_blocks(1000), _swings(step)).size == 400
    down = clear_steps(_blocks(500), _swings(np.append(np.full(399, -1.0), 2.0)))
    assert down.tolist() == [399]
