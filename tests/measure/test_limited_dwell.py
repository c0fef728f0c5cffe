"""The droop of a pickup from what it shows behind a current limit."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import lfilter

from sigkit.measure.dwell_droop import LIMITED_SHARE, settle_droop, weigh_dwell_droop

STEP_S = 2e-6


@pytest.mark.parametrize("rate_per_s", [60.0, 120.0, 250.0])
def test_what_is_left_behind_a_current_limit_is_the_droop(rate_per_s: float) -> None:
    # Induced: a height that sinks at 150 per second, then, once the current is held, nothing. The pickup is the exact
    # first-order high-pass of steps between samples.
    t = np.arange(1800) * STEP_S
    induced = np.where(t < 2.8e-3, 1000.0 * np.exp(-150.0 * t), 0.0)
    seen = lfilter([1.0, -1.0], [1.0, -np.exp(-rate_per_s * STEP_S)], induced)
    on, off = np.array([0.0]), np.array([1799.0])
    rate, u = settle_droop(weigh_dwell_droop(seen[None, :], on, off, STEP_S, 1.0))
    assert abs(rate - rate_per_s) < 2.0 * u
    # What is left there is good to four per cent of the height over the integral so far; the rest can only add to that.
    assert u < LIMITED_SHARE * 1000.0 / (seen[:1600].sum() * STEP_S)
    # The same dwell switched off before the limit leaves coil and pickup to be confused: it tells less.
    off = np.array([1399.0])
    _, blind_u = settle_droop(weigh_dwell_droop(seen[None, :], on, off, STEP_S, 1.0))
    assert blind_u > 1.5 * u
