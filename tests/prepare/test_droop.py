"""The pickup's high-pass against its closed form."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import lfilter

from sigkit.prepare.droop import estimate_droop, undo_droop


@pytest.mark.parametrize("constant_s", [0.5e-3, 5e-3, 50e-3])
def test_a_step_behind_a_high_pass_is_straightened(constant_s):
    interval_s = 2e-6
    t = np.arange(2000) * interval_s
    y = np.exp(-t / constant_s)[None]
    np.testing.assert_allclose(undo_droop(y, 1.0 / constant_s, interval_s), 1.0, atol=2e-4)


def test_the_rate_is_estimated_from_stretches_that_settle():
    interval_s, constant_s = 5e-6, 4e-3
    t = np.arange(-2000, 4000) * interval_s
    true = np.where((t >= 0) & (t < 1.5e-3), 1000.0, 0.0)
    keep = np.exp(-interval_s / constant_s)
    y = lfilter([(1 + keep) / 2, -(1 + keep) / 2], [1.0, -keep], np.stack([true, 0.5 * true, 1.2 * true]), axis=1)
    y = y + np.random.default_rng(0).normal(scale=1.0, size=y.shape)
    settled = np.broadcast_to((t < -1e-3) | (t > 2e-3), y.shape)
    rate, u = estimate_droop(y, settled, interval_s)
    assert rate == pytest.approx(1.0 / constant_s, rel=0.03)
    assert u < 0.1 * rate


def test_too_few_rows_give_no_uncertainty():
    rate, u = estimate_droop(np.zeros((1, 4)), np.ones((1, 4), dtype=bool), 1e-6)
    assert (rate, u) == (0.0, np.inf)
