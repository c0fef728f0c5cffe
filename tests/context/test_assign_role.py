"""Power or waste from constructed evidence."""

from __future__ import annotations

import numpy as np
import pytest

from sigkit.context.assign_role import power_by_clusters, power_by_parity


@pytest.mark.parametrize("first", [0, 1])
def test_alternating_levels_are_told_apart(first):
    number = np.arange(8)
    level = np.where((number + first) % 2 == 0, 9.0, 2.5)
    answer = power_by_parity(np.log(level), number)
    np.testing.assert_array_equal(answer, np.where(level > 5, 1, -1))


def test_a_missing_firing_shifts_nothing():
    number = np.array([0, 1, 2, 4, 5, 7])
    level = np.where(number % 2 == 0, 8.0, 2.0)
    np.testing.assert_array_equal(power_by_parity(np.log(level), number), np.where(level > 5, 1, -1))


def test_one_odd_firing_does_not_turn_the_lead():
    level = np.array([9.0, 2.0, 9.0, 2.0, 1.5, 2.0, 9.0, 2.0])
    answer = power_by_parity(np.log(level), np.arange(8))
    assert answer.tolist() == [1, -1, 1, -1, 1, -1, 1, -1]


def test_equal_levels_stay_undecided():
    level = np.random.default_rng(1).normal(5.0, 0.4, 10)
    assert not power_by_parity(np.log(level), np.arange(10)).any()


def test_all_of_one_parity_stay_undecided():
    assert not power_by_parity(np.log([9.0, 2.0, 9.0]), np.array([0, 2, 4])).any()


def test_sweeps_fall_into_two_clusters():
    level = np.array([9.0, 2.0, 8.8, 8.9, 2.1, 1.9])
    np.testing.assert_array_equal(power_by_clusters(np.log(level), False), np.where(level > 5, 1, -1))


def test_two_ends_of_one_event_decide_by_their_difference():
    assert power_by_clusters(np.log([4.0]), True).tolist() == [1]
    assert power_by_clusters(np.log([0.25]), True).tolist() == [-1]
    assert power_by_clusters(np.log([1.1]), True).tolist() == [0]
    assert power_by_clusters(np.log([9.0]), False).tolist() == [0]


def test_missing_evidence_stays_undecided():
    assert power_by_clusters(np.array([np.nan, np.nan]), True).tolist() == [0, 0]
