"""Medians of padded rows against numpy's, below and above the length from which rows are parted instead of sorted."""

from __future__ import annotations

import numpy as np
import pytest

from sigkit.prepare.median import LONG, row_median


@pytest.mark.parametrize("length", [1, 2, 7, LONG - 1, LONG, LONG + 1, 3 * LONG])
def test_padded_rows_have_the_median_numpy_gives(length):
    rng = np.random.default_rng(length)
    rows = rng.normal(size=(20, length)).round(1)
    for row, kept in zip(rows, rng.integers(1, length + 1, 20), strict=True):
        row[rng.permutation(length)[kept:]] = np.nan
    np.testing.assert_array_equal(row_median(rows), np.nanmedian(rows, axis=1))


def test_columns_of_padding_and_rows_without_samples_are_left_out():
    rows = np.full((3, 2 * LONG), np.nan)
    rows[0, 500:503], rows[2, 700:702] = (5.0, 1.0, 3.0), (2.0, 4.0)
    np.testing.assert_array_equal(row_median(rows), [3.0, np.nan, 3.0])
    assert np.isnan(row_median(np.full((2, 3), np.nan))).all()
    assert row_median(np.zeros((2, 3, 0))).shape == (2, 3)
