"""What a swing's company says: rhythm, likeness, other channels."""

from __future__ import annotations

import numpy as np

from sigkit.detect.company_features import FEATURES, company_features
from sigkit.detect.judged_channel import JudgedChannel


def _channel(times_s, log_odds, direction=-1, size=1.0, shape=None):
    n = len(times_s)
    return JudgedChannel(
        np.arange(n), np.asarray(times_s, dtype=float), np.full(n, direction), np.full(n, size),
        np.asarray(log_odds, dtype=float),
        np.ones((n, 4), dtype=np.float32) if shape is None else np.asarray(shape, dtype=np.float32), 0.0, 1.0,
    )  # fmt: skip


def _column(features, name):
    return features[:, FEATURES.index(name)]


def test_a_weak_swing_in_rhythm_is_told_from_one_out_of_rhythm():
    times = [0.1, 0.2, 0.3, 0.4, 0.43, 0.5]
    features = company_features([_channel(times, [5, 5, 5, -3, -3, 5])])[0]
    off = _column(features, "off_rhythm")
    assert off[3] < 1e-9
    assert abs(off[4] - 0.3) < 1e-9
    assert (_column(features, "rhythm_known") == 1).all()


def test_a_swing_is_never_its_own_example():
    shape = np.eye(3, 4)
    features = company_features([_channel([0.1, 0.2, 0.3], [5, 5, -2], shape=shape)])[0]
    assert _column(features, "alike_to_nearest").tolist() == [0.0, 0.0, 0.0]
    assert np.allclose(np.expm1(_column(features, "examples")), [1, 1, 2])


def test_channels_that_fire_together_are_told_from_crosstalk():
    lead = _channel([0.1, 0.2, 0.3], [5, 5, 5])
    partner = _channel([0.1, 0.2, 0.3], [5, 5, 5], direction=1)
    stranger = _channel([0.1, 0.2, 0.25, 0.3], [5, 5, -1, 5])
    other = _channel([0.05, 0.15, 0.25], [6, 6, 6])
    together = company_features([lead, partner])[0]
    assert (_column(together, "usually_together") == 1).all()
    assert (_column(together, "seen_elsewhere") == 5).all()
    mixed = company_features([stranger, other])[0]
    assert _column(mixed, "usually_together")[2] == -1
    assert _column(mixed, "seen_elsewhere").tolist() == [-12, -12, 6, -12]


def test_nothing_and_one_swing_are_fine():
    features = company_features([JudgedChannel.without_swings(), _channel([0.1], [1.0])])
    assert features[0].shape == (0, len(FEATURES))
    assert np.isfinite(features[1]).all()


def test_many_examples_are_compared_as_few_are(monkeypatch):
    rng = np.random.default_rng(6)
    shape = np.tile(rng.normal(size=(3, 4)), (200, 1))
    channel = _channel(np.arange(600) * 0.02, np.full(600, 5.0), shape=shape)
    some = company_features([channel])[0]
    monkeypatch.setattr("sigkit.detect.company_features.MOST_COMPARED", 600)
    monkeypatch.setattr("sigkit.detect.company_features.AT_ONCE", 77)
    every = company_features([channel])[0]
    np.testing.assert_allclose(_column(some, "alike_to_mean"), _column(every, "alike_to_mean"), atol=0.02)
    np.testing.assert_allclose(_column(every, "alike_to_nearest"), 1.0, atol=1e-6)
    np.testing.assert_allclose(_column(some, "alike_to_nearest"), 1.0, atol=1e-6)
