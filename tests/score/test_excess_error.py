"""What the labels' repeatability leaves over: recovered from errors and readings made with known spreads."""

from __future__ import annotations

import numpy as np
import pytest

from sigkit.score.excess_error import excess_error


def study(rng, own, reading, readings_per_label=1, size=20_000):
    """Return errors against labels read with a known spread, engines, and differences of repeated readings."""
    label = rng.normal(0, reading, (size, readings_per_label)).mean(axis=1)
    return rng.normal(0, own, size) - label, np.arange(size) % 40, rng.normal(0, reading, (size, 2)) @ [1, -1]


@pytest.mark.parametrize("readings", [1, 3])
def test_known_spreads_are_recovered(readings):
    error, engines, again = study(np.random.default_rng(1), 30.0, 20.0, readings)
    found = excess_error(error, engines, again, engines, np.random.default_rng(2), readings_per_label=readings)
    assert found.repeatability.value == pytest.approx(20.0, rel=0.02)
    assert found.excess.value == pytest.approx(30.0, rel=0.02)
    assert found.excess_variance.low < 900 < found.excess_variance.high
    ratio = np.sqrt((900 + 400 / readings) / (400 + 400 / readings))
    assert found.ratio_to_reader.value == pytest.approx(ratio, rel=0.02)


def test_one_more_reading_of_the_reader_scores_one_and_five_percent():
    error, engines, again = study(np.random.default_rng(3), 20.0, 20.0)
    found = excess_error(error, engines, again, engines, np.random.default_rng(4))
    assert found.ratio_to_reader.value == pytest.approx(1.0, abs=0.02)
    assert found.beyond_limit.value == pytest.approx(0.05, abs=0.006)


def test_better_than_the_labels_leaves_nothing_over():
    error, engines, again = study(np.random.default_rng(5), 0.0, 20.0)
    found = excess_error(error, engines, again, engines, np.random.default_rng(6))
    assert found.excess_variance.low < 0 < found.excess_variance.high
    assert found.excess.value < 4.0
    assert found.ratio_to_reader.high < 0.75  # 1/sqrt(2): only the label's own spread is left


def test_without_repeats_nothing_is_claimed():
    found = excess_error([1.0, -1.0], ["a", "b"], [], [], np.random.default_rng(0))
    assert found.root_mean_square.value == 1.0
    assert np.isnan([found.repeatability.value, found.excess.value, found.beyond_limit.value, found.limit]).all()


def test_bad_input_is_refused():
    with pytest.raises(ValueError, match="1 or more"):
        excess_error([1.0], ["a"], [1.0], ["a"], np.random.default_rng(0), readings_per_label=0)
    with pytest.raises(ValueError, match="one length"):
        excess_error([1.0], ["a", "b"], [1.0], ["a"], np.random.default_rng(0))
