"""Digits follow the uncertainty; the general library decimal gives the expected texts."""

from decimal import ROUND_HALF_EVEN, Decimal

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sigkit.report.format_value import format_value, round_to_digits, round_to_uncertainty


def by_decimal(value, decimals):
    return float(Decimal(value).quantize(Decimal(1).scaleb(-decimals), rounding=ROUND_HALF_EVEN))


@given(st.floats(-1e5, 1e5), st.integers(-6, 3), st.integers(10, 99))
def test_rounding_agrees_with_the_decimal_library(value, exponent, digits):
    u = digits * 10.0**exponent
    got = float(round_to_uncertainty([value], [u])[0])
    expected = by_decimal(value, -exponent)
    # A value within rounding noise of a tie may go either way in binary.
    tie = abs(abs(value / 10.0**exponent) % 1 - 0.5) < 1e-6
    assert got == expected or (tie and abs(got - expected) <= 1.01 * 10.0**exponent)


@given(st.floats(-1e5, 1e5), st.integers(-6, 3), st.integers(10, 99))
def test_rounding_loses_less_than_a_twentieth_of_the_uncertainty(value, exponent, digits):
    u = digits * 10.0**exponent
    # Two digits kept: the last is worth at most a tenth of u, rounding moves by half of it.
    assert abs(float(round_to_uncertainty([value], [u])[0]) - value) <= 0.05 * u * (1 + 1e-9)


def test_rounded_numbers_print_short():
    values = np.random.default_rng(1).uniform(-10, 10, 500)
    texts = [repr(float(x)) for x in round_to_uncertainty(values, np.full(500, 0.0123))]
    assert max(len(text.split(".")[1]) for text in texts) <= 3


def test_significant_digits_agree_with_the_general_format():
    values = np.array([1.23456789e-7, 98765.4321, -0.000123456, 3.0])
    assert round_to_digits(values, 4).tolist() == [float(f"{x:.4g}") for x in values]


@pytest.mark.parametrize(
    "value, u, text",
    [
        (1.31942, 0.0061, "1.319 ± 0.012 V"),
        (-640.0, 9.0, "-640 ± 18 V"),
        (12347.0, 300.0, "12350 ± 590 V"),
        (float("nan"), 1.0, "–"),
        (0.0, float("nan"), "0 V"),
        (7.0, 0.0, "7 V"),
    ],
)
def test_text_of_a_value(value, u, text):
    assert format_value(value, u, "V") == text


def test_missing_stays_missing():
    assert np.isnan(round_to_uncertainty([np.nan, np.nan], [1.0, np.nan])).all()
