"""Stretches of blocks, what is gathered of them, and steps of the mean level at the ends of a record."""

from __future__ import annotations

import numpy as np
import pytest

from sigkit.detect.level_blocks import LevelBlocks, gather, joined
from sigkit.detect.swing_candidates import _Reach, _steps, find_swings

STRETCHES = (
    [[0, 1003]], [[20, 40], [100, 200]], [[60, 80], [500, 700]], [[0, 20], [40, 60], [940, 960], [1000, 1003]],
    [[960, 1003]],
)  # fmt: skip
RATE_HZ = 20e3


def _blocks(mean, runs):
    mean = np.asarray(mean, dtype=np.float32)
    runs = np.array(runs, dtype=np.int64)
    return LevelBlocks(1, mean.size, 1.0, mean - 1, mean + 1, mean, np.ones_like(mean), runs, runs)


@pytest.mark.parametrize("margin", [0, 7, 30])
@pytest.mark.parametrize("stretches", STRETCHES)
def test_stretches_are_gathered_as_block_by_block(stretches, margin):
    values = np.random.default_rng(1).normal(size=1003)
    place = np.concatenate([np.arange(first - margin, last + margin) for first, last in stretches])
    wanted = values[np.clip(place, 0, values.size - 1)]
    np.testing.assert_array_equal(gather((values,), np.array(stretches), margin)[0], wanted)


@pytest.mark.parametrize("stretches", STRETCHES)
def test_blocks_looked_at_are_those_of_the_stretches(stretches):
    looked = _blocks(np.zeros(1003), stretches).looked_at()
    assert looked.size == 1003
    assert np.flatnonzero(looked).tolist() == [block for first, last in stretches for block in range(first, last)]


def test_stretches_far_apart_stay_apart():
    runs = np.array([[0, 20], [80, 100], [161, 180]])
    assert joined(runs, 60).tolist() == [[0, 100], [161, 180]]
    assert joined(runs, 59).tolist() == runs.tolist()
    assert joined(runs, 61).tolist() == [[0, 180]]


def test_swings_of_stretches_joined_or_alone_are_those_of_the_whole_record():
    rng = np.random.default_rng(2)
    mean = 0.1 * rng.normal(size=4000)
    runs = []
    for first in range(200, 3800, 60):
        mean[first + 5 : first + 15] += rng.choice([-40.0, 40.0])
        runs.append([first, first + 20])
    wanted = find_swings(_blocks(mean, [[0, 4000]]), RATE_HZ)
    blocks = _blocks(mean, runs)
    # Medians are those of the whole record, which is quiet.
    close = find_swings(LevelBlocks(**{**vars(blocks), "sample": np.array([[0, 4000]])}), RATE_HZ)
    few = LevelBlocks(**{**vars(_blocks(mean, runs[::3])), "sample": np.array([[0, 4000]])})
    for found, looked in ((close, blocks.looked_at()), (find_swings(few, RATE_HZ), few.looked_at())):
        inside = np.flatnonzero(looked[wanted.block])
        assert inside.size > 20
        for name in ("block", "direction", "size"):
            np.testing.assert_array_equal(getattr(found, name), getattr(wanted.take(inside), name))


def test_a_step_near_an_end_of_the_record_is_found():
    for at in (2, 397):
        mean = np.random.default_rng(3).normal(size=400) * 0.01
        mean[at:] += 30.0
        found = find_swings(_blocks(mean, [[0, 400]]), RATE_HZ)
        largest = int(found.size.argmax())
        assert found.block[largest] == at
        assert found.direction[largest] == 1


@pytest.mark.parametrize("stretches", [*STRETCHES, [[0, 300], [500, 1003]], [[400, 1003]]])
def test_steps_are_the_means_behind_less_the_means_before(stretches):
    reach, m = _Reach(4, 20, 10), 1003
    mean = np.random.default_rng(4).normal(size=m).astype(np.float32)
    part = np.array(stretches)
    steps = _steps(gather((mean,), part, reach.margin)[0], part, m, reach)
    begin = 0
    for first, last in stretches:
        own = steps[begin + reach.margin : begin + reach.margin + last - first]
        wanted = [
            mean[block : block + 10].mean() - mean[max(block - 10, 0) : block].mean() if block else 0.0
            for block in range(first, last)
        ]
        np.testing.assert_allclose(own, wanted, atol=1e-5)
        begin += last - first + 2 * reach.margin
