"""OscillationDecay against damped cosines in closed form."""

from __future__ import annotations

import numpy as np
import pytest
from sklearn.utils.estimator_checks import parametrize_with_checks

from sigkit.contracts.feature_extractor import FeatureExtractor
from sigkit.errors import SettingsError
from sigkit.features.oscillation_decay import OscillationDecay


@parametrize_with_checks([OscillationDecay()])
def test_meets_the_checks_of_scikit_learn(estimator, check):
    check(estimator)


def test_meets_the_contract():
    assert isinstance(OscillationDecay(), FeatureExtractor)


def _rings(frequency_Hz, damping, rate_Hz, count=500, phase=0.4):
    omega = 2 * np.pi * frequency_Hz
    decay = damping * omega / np.sqrt(1 - damping**2)
    t = np.arange(count) / rate_Hz
    return np.exp(-decay * t) * np.cos(omega * t - phase)


@pytest.mark.parametrize("rate_Hz", [100e3, 250e3, 1e6])
@pytest.mark.parametrize(("frequency_Hz", "damping"), [(4000.0, 0.05), (7000.0, 0.10965), (12_000.0, 0.1)])
def test_a_damped_cosine_gives_its_frequency_and_damping(rate_Hz, frequency_Hz, damping):
    # 0.10965 is the damping ratio of a decrement of ln 2 a cycle: zeta = d / sqrt(4 pi^2 + d^2) (mechanics texts).
    row = 700.0 * _rings(frequency_Hz, damping, rate_Hz, round(1.5e-3 * rate_Hz))
    found = OscillationDecay(sample_rate_Hz=rate_Hz).fit_transform(row[None])[0]
    assert found[0] == pytest.approx(frequency_Hz, rel=2e-3)
    assert found[1] == pytest.approx(damping, rel=2e-2)
    assert found[2] == pytest.approx(frequency_Hz, rel=2e-3)
    assert found[3] == pytest.approx(damping, rel=2e-2)


def test_the_logarithmic_decrement_of_successive_peaks_agrees():
    frequency_Hz, damping, rate_Hz = 5000.0, 0.08, 2e6
    row = _rings(frequency_Hz, damping, rate_Hz, 4000, phase=0.0)
    period = round(rate_Hz / frequency_Hz)
    decrement = np.log(row[0] / row[2 * period]) / 2
    zeta = decrement / np.hypot(2 * np.pi, decrement)
    found = OscillationDecay(sample_rate_Hz=rate_Hz).fit_transform(row[None])[0]
    assert found[1] == pytest.approx(zeta, rel=2e-2)
    assert found[3] == pytest.approx(zeta, rel=2e-2)


def test_noise_alone_has_few_cycles_and_no_row_raises():
    rows = np.random.default_rng(2).normal(size=(20, 300))
    found = OscillationDecay(sample_rate_Hz=200e3).fit_transform(rows)
    assert found.shape == (20, 5)
    counted = found[np.isfinite(found[:, 4]), 4]
    # A row of noise has no decaying oscillation: where one is fitted at all, it is over at once.
    assert np.all(counted <= 6)
    assert np.mean(np.isfinite(found[:, 4]) & (found[:, 4] > 3)) <= 0.2


def test_settings_outside_their_range_are_refused():
    with pytest.raises(SettingsError, match="band_Hz"):
        OscillationDecay(band_Hz=(5000.0, 100.0)).fit(np.zeros((2, 10)))
