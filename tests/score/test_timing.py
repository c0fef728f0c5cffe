"""Timing statistics against their definitions and against mir_eval."""

from __future__ import annotations

import mir_eval
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sigkit.score.timing import STATISTICS, TimingErrors, timing_errors

ERRORS = st.lists(st.one_of(st.integers(-100, 100).map(float), st.just(float("nan"))), min_size=1, max_size=30)


def test_every_statistic_says_what_it_is():
    assert set(STATISTICS) == set(TimingErrors.__dataclass_fields__)


def test_definitions_on_a_list_done_by_hand():
    found = timing_errors([-2.0, 0.0, 2.0, 4.0, np.nan], limits=[2.0, 1.9])
    assert found.measurable == 5
    assert found.answered_share == 0.8
    assert found.bias == 1.0
    assert found.median_error == 1.0
    assert found.standard_deviation == pytest.approx(np.sqrt(20 / 3))  # squares 9 + 1 + 1 + 9 over n - 1
    assert found.median_absolute == 2.0
    assert found.p95_absolute == pytest.approx(3.7)  # 0 2 2 4: rank 0.95 * 3 = 2.85
    assert found.within == {2.0: 0.6, 1.9: 0.2}


@given(ERRORS, st.floats(0.1, 10.0))
def test_scaling_the_errors_scales_the_statistics(errors, factor):
    one, other = timing_errors(errors), timing_errors(np.array(errors) * factor)
    for name in ("bias", "median_error", "median_absolute", "p95_absolute", "p99_absolute"):
        assert getattr(other, name) == pytest.approx(getattr(one, name) * factor, nan_ok=True)
    assert other.answered_share == one.answered_share


@given(ERRORS)
def test_an_answer_never_makes_the_share_within_smaller(errors):
    # Answering one more event, however wrongly, adds no failure that was not one already.
    filled = np.nan_to_num(np.array(errors), nan=1e9)
    assert timing_errors(filled, [5.0]).within[5.0] == timing_errors(errors, [5.0]).within[5.0]


def test_median_of_one_sided_deviation_agrees_with_mir_eval():
    # mir_eval.segment.deviation takes medians of the distance to the nearest boundary (a general library);
    # with boundaries far apart the nearest one is the partner.
    truth = np.arange(10.0) * 10
    answer = truth + np.array([0.1, -0.2, 0.3, 0.05, -0.4, 0.2, 0.0, -0.1, 0.25, 0.15])
    reference, estimated = (np.column_stack([t[:-1], t[1:]]) for t in (truth, answer))
    there, back = mir_eval.segment.deviation(reference, estimated)
    assert timing_errors(answer - truth).median_absolute == pytest.approx(there) == pytest.approx(back)


def test_nothing_answered_and_nothing_measurable():
    silent = timing_errors([np.nan, np.nan], [1.0])
    assert silent.answered_share == 0.0
    assert silent.within == {1.0: 0.0}
    assert np.isnan(silent.bias)
    assert np.isnan(timing_errors([], [1.0]).within[1.0])


def test_infinite_and_nested_errors_are_refused():
    with pytest.raises(ValueError, match="infinite"):
        timing_errors([np.inf])
    with pytest.raises(ValueError, match="2 dimensions"):
        timing_errors([[1.0]])
