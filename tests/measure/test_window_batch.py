"""Stretches of running integrals, against whole ones."""

from __future__ import annotations

import numpy as np

from sigkit.measure.take_columns import take_columns
from sigkit.measure.window_batch import integral_between
from sigkit.prepare.droop import running_integral


def test_stretches_are_those_of_the_whole_integral():
    rows = np.random.default_rng(3).normal(size=(4, 200))
    rows[1, 20:25], rows[2, 150:] = np.nan, np.nan
    begin, end = np.array([0.0, 30.2, 100.0, np.nan]), np.array([12.0, 90.0, 200.0, np.nan])
    whole = take_columns(np.where(np.isfinite(rows), running_integral(rows, 1e-3), np.nan), begin, end)
    np.testing.assert_allclose(integral_between(rows, begin, end, 1e-3), whole, atol=1e-15)
