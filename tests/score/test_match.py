"""The matcher against an exhaustive search, against mir_eval, and on the edges."""

from __future__ import annotations

from itertools import combinations

import mir_eval
import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from sigkit.score.match import match_events

POSITIONS = st.lists(st.integers(-12, 12), max_size=6)
TOLERANCE = st.integers(0, 9)


def every_pairing(first, second, tolerance):
    """Yield (pairs, total error) of every one-to-one pairing, found by trying all of them."""
    admissible = [
        (i, j) for i, p in enumerate(first) for j, q in enumerate(second) if abs(p - q) <= tolerance
    ]
    for size in range(min(len(first), len(second)) + 1):
        for chosen in combinations(admissible, size):
            if len({i for i, _ in chosen}) == size == len({j for _, j in chosen}):
                yield size, sum(abs(first[i] - second[j]) for i, j in chosen)


@given(st.lists(st.integers(-8, 8), max_size=4), st.lists(st.integers(-8, 8), max_size=4), TOLERANCE)
@example([0, 0, 0], [0, 0, 0], 0)
@example([0, 3, 6], [3, 6, 9], 3)
def test_pairing_is_the_best_of_all_pairings(first, second, tolerance):
    size, least = min(every_pairing(first, second, tolerance), key=lambda found: (-found[0], found[1]))
    pairs = match_events(first, second, tolerance)
    assert len(pairs) == size
    assert int(np.abs(pairs.error).sum()) == least


@given(POSITIONS, POSITIONS, TOLERANCE)
def test_pairs_are_one_to_one_and_within_tolerance(first, second, tolerance):
    pairs = match_events(first, second, tolerance)
    assert len(set(pairs.first.tolist())) == len(set(pairs.second.tolist())) == len(pairs)
    for i, j, error in zip(pairs.first, pairs.second, pairs.error):
        assert second[j] - first[i] == error
        assert abs(error) <= tolerance
    assert sorted([*pairs.first, *pairs.first_unmatched]) == list(range(len(first)))
    assert sorted([*pairs.second, *pairs.second_unmatched]) == list(range(len(second)))


@given(POSITIONS, POSITIONS, TOLERANCE)
def test_lists_may_swap_roles(first, second, tolerance):
    there = match_events(first, second, tolerance)
    back = match_events(second, first, tolerance)
    pairs_there = {(first[i], second[j]) for i, j in zip(there.first, there.second)}
    assert pairs_there == {(first[j], second[i]) for i, j in zip(back.first, back.second)}
    assert sorted(there.error.tolist()) == sorted((-back.error).tolist())


@given(POSITIONS, POSITIONS, TOLERANCE, st.integers(-1000, 1000), st.randoms(use_true_random=False))
def test_shift_and_order_change_nothing(first, second, tolerance, shift, random):
    def located(pairs, a, b):
        return sorted((a[i], b[j]) for i, j in zip(pairs.first, pairs.second))

    shuffled = list(first)
    random.shuffle(shuffled)
    expected = located(match_events(first, second, tolerance), first, second)
    assert located(match_events(shuffled, second, tolerance), shuffled, second) == expected
    moved = match_events([p + shift for p in first], [q + shift for q in second], tolerance)
    assert located(moved, first, second) == expected


@given(POSITIONS, POSITIONS, TOLERANCE, st.integers(0, 5))
def test_more_tolerance_never_loses_a_pair(first, second, tolerance, more):
    assert len(match_events(first, second, tolerance + more)) >= len(match_events(first, second, tolerance))


@given(st.lists(st.integers(0, 400), max_size=60), st.lists(st.integers(0, 400), max_size=60), TOLERANCE)
def test_count_agrees_with_mir_eval(first, second, tolerance):
    # mir_eval.util.match_events is a general library's largest one-to-one matching (any of them).
    theirs = mir_eval.util.match_events(np.sort(first), np.sort(second), tolerance)
    assert len(match_events(first, second, tolerance)) == len(theirs)


@pytest.mark.parametrize(
    ("first", "second", "tolerance", "errors"),
    [
        ([], [], 5, []),
        ([1, 2], [], 5, []),
        ([], [3], 5, []),
        ([10], [15], 5, [5]),
        ([10], [16], 5, []),
        ([10], [10], 0, [0]),
        ([10, 10], [10], 0, [0]),
        ([10, 10], [10, 10], 0, [0, 0]),
        ([0], [-1, 1], 1, [-1]),  # a tie goes to the earlier event, whichever list it is in
        ([-1, 1], [0], 1, [1]),
        ([100, 110], [108, 117], 8, [8, 7]),  # the nearest pair alone would be one pair only
    ],
)
def test_edges(first, second, tolerance, errors):
    assert match_events(first, second, tolerance).error.tolist() == errors


def test_wide_rows_and_big_numbers_give_the_same_answer():
    rng = np.random.default_rng(3)
    first, second = rng.integers(0, 3000, 400), rng.integers(0, 3000, 380)
    narrow = match_events(first, second, 1200)  # hundreds of partners within reach: whole-row operations
    # Scaled so that values would overflow 64 bits: Python integers, partner by partner.
    scale = 10**11
    scaled = match_events(first * scale, second * scale, 1200 * scale)
    assert len(narrow) == 380
    np.testing.assert_array_equal(scaled.first, narrow.first)
    np.testing.assert_array_equal(scaled.second, narrow.second)


def test_wide_clusters_are_optimal_by_linear_assignment():
    # scipy's Hungarian solver on the full matrix, with a reward that puts the count first.
    from scipy.optimize import linear_sum_assignment

    rng = np.random.default_rng(4)
    first, second, tolerance = rng.integers(0, 500, 120), rng.integers(0, 700, 150), 300
    distance = np.abs(first[:, None] - second[None, :])
    value = np.where(distance <= tolerance, 10**6 - distance, 0)
    rows, columns = linear_sum_assignment(value, maximize=True)
    kept = value[rows, columns] > 0
    pairs = match_events(first, second, tolerance)
    assert len(pairs) == kept.sum()
    assert np.abs(pairs.error).sum() == distance[rows, columns][kept].sum()


@pytest.mark.parametrize("bad", [[1.0], [0.5]])
def test_fractions_are_refused(bad):
    with pytest.raises(TypeError, match="whole samples"):
        match_events(bad, [1], 1)


def test_bad_tolerance_and_shape_are_refused():
    with pytest.raises(ValueError, match="0 or more"):
        match_events([1], [1], -1)
    with pytest.raises(TypeError, match="whole number"):
        match_events([1], [1], 0.5)
    with pytest.raises(ValueError, match="2 dimensions"):
        match_events([[1]], [1], 1)
