"""Consensus of readers and its queue: done by hand."""

from __future__ import annotations

import numpy as np
import pytest

from sigkit.score.consensus import consensus_classes, consensus_instants

GAP = np.nan


def test_median_of_readers_not_of_readings():
    # r1 read three times and would outvote the others reading by reading.
    found = consensus_instants([1.0, 1.0, 1.0, 2.0, 4.0], ["e"] * 5, ["r1", "r1", "r1", "r2", "r3"], 10.0)
    assert found.value.tolist() == [2.0]
    assert found.spread[0] == pytest.approx(np.std([1, 2, 4], ddof=1))
    assert found.range.tolist() == [3.0]
    assert found.readers.tolist() == [3]
    assert not found.adjudicate.any()


def test_queue_puts_refusals_first_and_then_the_widest():
    item = ["a", "a", "b", "b", "c", "c", "d", "d", "e", "e"]
    value = [1.0, 1.05, 2.0, 3.0, 5.0, GAP, 7.0, 9.0, GAP, GAP]
    found = consensus_instants(value, item, ["r1", "r2"] * 5, 0.1)
    assert found.item[found.queue].tolist() == ["c", "d", "b"]
    # Half could not measure c, nobody could measure e: no value, and e needs no second look.
    np.testing.assert_array_equal(found.value, [1.025, 2.5, GAP, 8.0, GAP])
    assert found.refused.tolist() == [0, 0, 1, 0, 2]


def test_tolerance_is_inclusive():
    assert not consensus_instants([1.0, 1.5], ["a", "a"], ["r1", "r2"], 0.5).adjudicate[0]
    assert consensus_instants([1.0, 1.5], ["a", "a"], ["r1", "r2"], 0.4).adjudicate[0]


def test_one_vote_a_reader_however_often_he_reads():
    label = ["x", "x", "y", "y", "z", "x"]
    found = consensus_classes(label, ["e"] * 6, ["r1", "r1", "r2", "r3", "r4", "r4"])
    # r1 x, r2 y, r3 y, r4 half z half x: y 2, x 1.5, z 0.5 of 4 votes.
    assert found.share.tolist() == [0.5]
    assert found.label.tolist() == [""]
    assert found.readers.tolist() == [4]


def test_majority_and_the_share_that_is_enough():
    label, item = ["x", "x", "y", "x", "x", "x"], ["e", "e", "e", "f", "f", "f"]
    strict = consensus_classes(label, item, ["r1", "r2", "r3"] * 2)
    assert strict.label.tolist() == ["x", "x"]
    assert strict.item[strict.queue].tolist() == ["e"]
    assert not consensus_classes(label, item, ["r1", "r2", "r3"] * 2, least_share=0.6).adjudicate.any()


def test_nothing_and_bad_input():
    assert consensus_instants([], [], [], 1.0).queue.size == 0
    assert consensus_classes([], [], []).queue.size == 0
    with pytest.raises(ValueError, match="0 or more"):
        consensus_instants([1.0], ["a"], ["r"], -1.0)
    with pytest.raises(ValueError, match="one length"):
        consensus_instants([1.0], ["a", "b"], ["r"], 1.0)
    with pytest.raises(ValueError, match="one length"):
        consensus_classes(["x"], ["a", "b"], ["r"])
