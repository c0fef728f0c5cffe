"""Errors with intervals: against the plain statistics, and the laws an interval over engines must keep."""

from __future__ import annotations

import numpy as np
import pytest

from sigkit.score.error_summary import BURN_TIME_LIMITS_S, error_summary
from sigkit.score.timing import timing_errors


def errors(rng, engines=20, firings=15):
    """Return errors whose mean varies from engine to engine, some unanswered, and the engines."""
    bias = rng.normal(3e-6, 10e-6, engines)
    error = bias[:, None] + rng.normal(0, 20e-6, (engines, firings))
    error[rng.random(error.shape) < 0.1] = np.nan
    return error.ravel(), np.repeat(np.arange(engines), firings)


def test_values_are_the_plain_statistics():
    error, engines = errors(np.random.default_rng(1))
    found = error_summary(error, engines, np.random.default_rng(2), BURN_TIME_LIMITS_S)
    plain = timing_errors(error, BURN_TIME_LIMITS_S)
    for name in ("answered_share", "bias", "standard_deviation", "median_error", "median_absolute",
                 "p95_absolute", "p99_absolute"):  # fmt: skip
        assert getattr(found, name).value == pytest.approx(getattr(plain, name), rel=1e-12)
    assert {limit: share.value for limit, share in found.within.items()} == pytest.approx(plain.within)
    answered = error[~np.isnan(error)]
    assert found.root_mean_square.value == pytest.approx(np.sqrt(np.mean(answered**2)))
    assert found.quantiles[0.25].value == pytest.approx(np.quantile(answered, 0.25))
    assert found.by_engine["3"] == timing_errors(error[engines == 3], BURN_TIME_LIMITS_S)
    assert (found.measurable, found.answered) == (300, answered.size)


def test_intervals_are_those_of_the_resamples_written_out():
    error, engines = errors(np.random.default_rng(3), 6, 5)
    found = error_summary(error, engines, np.random.default_rng(4), [20e-6], resamples=80)
    from sigkit.score.group_draws import GroupDraws

    draws = GroupDraws.draw(engines, np.random.default_rng(4), resamples=80)
    written_out = [timing_errors(np.repeat(error, times[draws.number]), [20e-6]) for times in draws.times]
    for name in ("bias", "standard_deviation", "p95_absolute", "answered_share"):
        expected = draws.interval(np.array([getattr(one, name) for one in written_out]))
        assert (getattr(found, name).low, getattr(found, name).high) == pytest.approx(expected)
    share = found.within[20e-6]
    expected = draws.interval(np.array([one.within[20e-6] for one in written_out]))
    assert (share.low, share.high) == pytest.approx(expected)


def test_interval_of_the_bias_covers_as_promised():
    # The law: over repeated studies the 95 % interval holds the true bias in about 95 of 100; a percentile
    # interval of 20 engines is a little narrow (about 93), 200 studies have a standard error of 1.7 %.
    rng = np.random.default_rng(5)
    inside = 0
    for _ in range(200):
        error, engines = errors(rng)
        bias = error_summary(error, engines, rng, quantiles=(), resamples=200).bias
        inside += bias.low <= 3e-6 <= bias.high
    assert 0.87 <= inside / 200 <= 0.98


def test_nothing_answered_and_one_engine():
    silent = error_summary([np.nan, np.nan], ["a", "b"], np.random.default_rng(0), [1.0])
    assert silent.answered_share.value == 0.0
    assert silent.within[1.0].value == 0.0
    assert np.isnan(silent.bias.value)
    alone = error_summary([1.0, 2.0], ["a", "a"], np.random.default_rng(0))
    assert alone.bias.value == 1.5
    assert np.isnan(alone.bias.low)
    assert not alone.bias.excludes(0.0)


def test_bad_input_is_refused():
    with pytest.raises(ValueError, match="infinite"):
        error_summary([np.inf], ["a"], np.random.default_rng(0))
    with pytest.raises(ValueError, match="one group a row"):
        error_summary([1.0, 2.0], ["a"], np.random.default_rng(0))
