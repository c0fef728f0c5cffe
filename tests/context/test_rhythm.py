"""Period, revolution numbers and absent firings from times."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sigkit.context.absent_firings import absent_times
from sigkit.context.revolution_period import firing_period, period_numbers


@given(period=st.floats(0.012, 0.2), missing=st.sets(st.integers(1, 18), max_size=4), seed=st.integers(0, 50))
@settings(max_examples=60, deadline=None)
def test_numbers_survive_missing_firings_and_scatter(period, missing, seed):
    rng = np.random.default_rng(seed)
    kept = np.array([k for k in range(20) if k not in missing])
    times = (kept + rng.normal(scale=0.01, size=kept.size)) * period
    assert firing_period(times) == pytest.approx(period, rel=0.03)
    np.testing.assert_array_equal(period_numbers(times), kept)


def test_a_slow_change_of_speed_is_followed():
    gaps = np.linspace(0.05, 0.035, 30)
    times = np.concatenate([[0.0], np.cumsum(gaps)])
    np.testing.assert_array_equal(period_numbers(times), np.arange(31))


def test_holes_and_silent_ends_are_expected_firings():
    times = np.array([0.11, 0.21, 0.31, 0.51, 0.61])
    np.testing.assert_allclose(absent_times(times, 0.0, 0.9), [0.41, 0.71, 0.81], atol=1e-9)
    assert absent_times(times, 0.1, 0.65).size == 1


def test_too_few_firings_have_no_rhythm():
    assert absent_times(np.array([0.1, 0.2, 0.9]), 0.0, 1.0).size == 0
    assert np.isnan(firing_period(np.array([0.3])))
    assert period_numbers(np.zeros(0)).size == 0
