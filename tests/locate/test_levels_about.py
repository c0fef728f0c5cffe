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
