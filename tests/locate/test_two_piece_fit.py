"""Kinks between a line and a damped ring, placed to a fraction of a column."""

from __future__ import annotations

import numpy as np
import pytest

from sigkit.locate.two_piece_fit import DAMPING, fit_kinks


def _row(kink, omega, level=900.0, slope=-0.5, rise=15.0, width=120):
    s = np.arange(width) - kink
    fade = np.exp(-DAMPING * omega * np.maximum(s, 0))
    ring = level * fade * np.cos(omega * np.maximum(s, 0)) + rise / omega * fade * np.sin(omega * np.maximum(s, 0))
    return np.where(s < 0, level + slope * s, ring)


@pytest.mark.parametrize("kink", [60.0, 61.3, 64.75])
@pytest.mark.parametrize("rise", [15.0, 0.0])
def test_the_cost_is_least_at_the_true_kink(kink, rise):
    omega = 2 * np.pi / 90.0
    rows = np.stack([_row(kink, omega, rise=rise), -0.5 * _row(kink, omega, rise=rise)])
    candidates = np.arange(50.0, 80.0, 0.25)
    cost, _ = fit_kinks(rows, np.ones_like(rows), candidates, 60.0, omega)
    np.testing.assert_allclose(candidates[cost.argmin(axis=1)], kink, atol=0.3)


def test_the_change_of_slope_has_the_sign_of_the_rise():
    omega = 2 * np.pi / 90.0
    rows = _row(60.0, omega)[None]
    _, jump = fit_kinks(rows, np.ones_like(rows), np.array([60.0]), 60.0, omega)
    assert jump[0, 0] == pytest.approx(15.0 - DAMPING * omega * 900.0 + 0.5, rel=0.1)


def test_missing_samples_carry_no_weight():
    omega = 2 * np.pi / 90.0
    row = _row(60.0, omega)
    holed = row.copy()
    holed[10:20] = np.nan
    candidates = np.arange(55.0, 66.0, 0.5)
    cost, _ = fit_kinks(np.stack([row, holed]), np.ones((2, row.size)), candidates, 60.0, omega)
    assert np.isfinite(cost).all()
    assert candidates[cost[1].argmin()] == pytest.approx(60.0, abs=0.5)
