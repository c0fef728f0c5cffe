"""Rate and start from time stamps, against the stamps they were made of."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sigkit.capture.time_axis import UnusableTime, fit_time_axis


@settings(max_examples=200, deadline=None)
@given(
    step=st.floats(1e-7, 1e-3), start=st.floats(-1.0, 1.0), n=st.integers(200, 3000), digits=st.integers(5, 9),
)  # fmt: skip
def test_rounding_shifts_no_sample_by_more_than_the_rounding(step: float, start: float, n: int, digits: int) -> None:
    """Rounded stamps are either refused or give an axis within one rounding step of the true one, everywhere."""
    true = start + step * np.arange(n)
    stamps = np.round(true, digits)
    try:
        axis = fit_time_axis(stamps)
    except UnusableTime:
        # Too coarse: fewer than three irregular steps cannot be told from missing samples.
        assert 10.0**-digits > 1e-2 * step
        return
    fitted = axis.start_s + np.arange(n) / axis.sample_rate_Hz
    assert np.max(np.abs(fitted - true)) <= 10.0**-digits + 2e-3 * step


def test_the_first_difference_is_not_the_rate() -> None:
    stamps = np.round(np.arange(10_000) * 7e-7, 6)
    axis = fit_time_axis(stamps)
    assert stamps[1] - stamps[0] == pytest.approx(1e-6)
    assert axis.sample_rate_Hz == pytest.approx(1 / 7e-7, rel=1e-6)


@pytest.mark.parametrize("missing", [1, 5, 100])
def test_missing_samples_are_seen(missing: int) -> None:
    stamps = np.arange(1000) * 1e-5
    stamps[400:] += missing * 1e-5
    with pytest.raises(UnusableTime, match="not uniform") as caught:
        fit_time_axis(stamps)
    assert caught.value.row == 400


def test_a_few_missing_samples_are_not_taken_for_rounding() -> None:
    """Three single gaps close together: as many irregular steps as rounding would give, but in the wrong places."""
    stamps = np.arange(1000) * 1e-5
    for row in (500, 502, 504):
        stamps[row:] += 1e-5
    with pytest.raises(UnusableTime, match="not uniform"):
        fit_time_axis(np.round(stamps, 5))


def test_slow_drift_is_refused() -> None:
    index = np.arange(5000.0)
    with pytest.raises(UnusableTime, match="not uniform"):
        fit_time_axis((index + 1e-5 * index**2) * 1e-5)


def test_small_jitter_is_kept_with_a_warning() -> None:
    rng = np.random.default_rng(5)
    axis = fit_time_axis((np.arange(1000) + rng.uniform(-0.02, 0.02, 1000)) * 1e-5)
    assert axis.sample_rate_Hz == pytest.approx(1e5, rel=1e-4)
    assert "differ by up to" in axis.warnings[0]


def test_regression_agrees_with_numpy() -> None:
    """Independent route: numpy.polynomial's least-squares line through the same rounded stamps."""
    stamps = np.round(np.arange(3000) * 3.3e-6 - 0.001, 5)
    line = np.polynomial.Polynomial.fit(np.arange(3000), stamps, 1).convert().coef
    axis = fit_time_axis(stamps)
    assert axis.start_s == pytest.approx(line[0], abs=1e-12)
    assert axis.sample_rate_Hz == pytest.approx(1 / line[1], rel=1e-6)
