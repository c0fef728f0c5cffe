"""Means of stretches read from running sums, against means taken one by one."""

from __future__ import annotations

import numpy as np

from sigkit.locate.levels_about import RunningLevels


def test_whole_columns_give_the_plain_mean():
    rows = np.random.default_rng(1).normal(size=(3, 40))
    mean, count = RunningLevels(rows).about(np.array([0, 2]), np.array([10.0, 20.0]), np.array([-3.5, 0.5, 4.5]))
    np.testing.assert_allclose(mean[0], [rows[0, 7:11].mean(), rows[0, 11:15].mean()])
    np.testing.assert_allclose(mean[1], [rows[2, 17:21].mean(), rows[2, 21:25].mean()])
    np.testing.assert_allclose(count, 4.0)


def test_parts_of_columns_count_by_their_length():
    mean, count = RunningLevels(np.array([[0.0, 1.0, 3.0, 0.0]])).about(
        np.array([0]), np.array([1.0]), np.array([0.0, 1.0])
    )
    # Half of the column at 1 and half of the one behind.
    np.testing.assert_allclose(mean, [[0.5 * 1.0 + 0.5 * 3.0]])
    np.testing.assert_allclose(count, [[1.0]])


def test_what_was_not_recorded_neither_counts_nor_shifts_the_mean():
    rows = np.array([[np.nan, np.nan, 5.0, 7.0]])
    mean, count = RunningLevels(rows).about(np.array([0]), np.array([2.0]), np.array([-6.0, -2.5, 1.5, 9.0]))
    np.testing.assert_allclose(count, [[0.0, 2.0, 0.0]])
    np.testing.assert_allclose(mean, [[0.0, 6.0, 0.0]])


def test_levels_along_equal_steps_are_those_about_each_place():
    rows = np.random.default_rng(2).normal(size=(4, 300))
    rows[1, :40], rows[2, 200:] = np.nan, np.nan
    column, offsets = np.array([60, 20, 150, 230]), 2.25 + 4.0 * np.arange(20)
    edges = np.array([-30.0, -7.5, 0.0, 3.0, 40.0])
    for gap in (False, True):
        rows[3, 250] = np.nan if gap else 0.0
        levels = RunningLevels(rows)
        mean, count = levels.along(slice(1, 4), column[1:], offsets, edges)
        place = (column[1:, None] + offsets).ravel()
        expected, number = levels.about(np.repeat([1, 2, 3], offsets.size), place, edges)
        np.testing.assert_allclose(np.moveaxis(mean, 0, 2).reshape(expected.shape), expected, atol=1e-5)
        np.testing.assert_allclose(np.moveaxis(count, 0, 2).reshape(number.shape), number, atol=1e-5)


def test_blocks_are_means_of_what_was_recorded():
    rows = np.array([[np.nan, 1.0, 3.0, 5.0, 7.0]])
    mean, count = RunningLevels(rows).blocks(2)
    np.testing.assert_allclose(mean, [[1.0, 4.0]])
    np.testing.assert_allclose(count, [[1.0, 2.0]])


def test_no_place_has_no_level() -> None:
    none = np.zeros(0, dtype=np.int64)
    mean, count = RunningLevels(np.ones((2, 5))).about(none, none.astype(float), np.array([-1.0, 0.0, 2.0]))
    assert mean.shape == count.shape == (0, 2)
