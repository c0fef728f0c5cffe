"""BurnLineSlope against exact polynomials and numpy.polyfit."""

from __future__ import annotations

import numpy as np
import pytest
from sklearn.utils.estimator_checks import parametrize_with_checks

from sigkit.contracts.feature_extractor import FeatureExtractor
from sigkit.errors import SettingsError
from sigkit.features.burn_line_slope import BurnLineSlope


@parametrize_with_checks([BurnLineSlope(), BurnLineSlope(trim=0.0)])
def test_meets_the_checks_of_scikit_learn(estimator, check):
    check(estimator)


def test_meets_the_contract():
    assert isinstance(BurnLineSlope(), FeatureExtractor)


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_an_exact_parabola_gives_its_own_coefficients(sign):
    time_ms = np.arange(300) * 0.005
    row = sign * (900.0 + 80.0 * time_ms + 60.0 * time_ms**2)
    level, slope, curvature, hash_, _ = BurnLineSlope(sample_rate_Hz=200e3).fit_transform(row[None])[0]
    assert level == pytest.approx(np.median(row), rel=0.02)
    assert curvature == pytest.approx(120.0, rel=1e-6)
    middle = time_ms[[60, 239]].mean()
    assert slope == pytest.approx(80.0 + 120.0 * middle, rel=2e-2)
    assert hash_ == pytest.approx(0.0, abs=1e-6)


def test_noisy_lines_agree_with_polyfit_within_their_scatter():
    rng = np.random.default_rng(11)
    time_ms = np.arange(200) * 0.01
    rows = 700.0 - 50.0 * time_ms + rng.normal(scale=10.0, size=(200, 200))
    ours = BurnLineSlope(sample_rate_Hz=100e3, trim=0.0).fit_transform(rows)[:, 1]
    plain = np.polyfit(time_ms, rows.T, 1)[0]
    # Bisquare weights lose about 5 % of efficiency (Huber & Ronchetti, Robust Statistics, from memory).
    assert ours.std() < 1.15 * plain.std()
    assert ours.mean() == pytest.approx(-50.0, abs=4 * plain.std() / np.sqrt(200))


@pytest.mark.parametrize("height", [120.0, -90.0])
def test_a_step_in_a_level_line_is_found_with_its_sign(height):
    row = np.full(400, 800.0)
    row[200:] += height
    assert BurnLineSlope(sample_rate_Hz=400e3).fit_transform(row[None])[0, 4] == pytest.approx(height, rel=0.25)


def test_spikes_do_not_pull_the_slope():
    row = np.full(400, 800.0)
    row[100:108] += 5000.0
    assert BurnLineSlope(sample_rate_Hz=400e3).fit_transform(row[None])[0, 1] == pytest.approx(0.0, abs=5.0)


def test_settings_outside_their_range_are_refused():
    with pytest.raises(SettingsError, match="trim"):
        BurnLineSlope(trim=0.5).fit(np.zeros((2, 10)))
