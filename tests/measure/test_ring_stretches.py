"""Ring fits on means over a share of a cycle: what they must keep, and which stretch they choose."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from sigkit.measure.ring_stretches import MEANS_A_CYCLE, SPAN_CYCLES, fit_stretches

INTERVAL_S = 2e-6
moment_s = np.arange(1500) * INTERVAL_S
#: Angular frequency and decay of a ring of 100 samples a cycle, so of means over eight.
OMEGA, DECAY = 2 * np.pi * 5000.0, 2000.0


def ring(amplitude: float = 0.8, phase: float = 0.7) -> NDArray[np.float64]:
    return np.asarray(amplitude * np.exp(-DECAY * moment_s) * np.cos(OMEGA * moment_s - phase))


def test_means_give_back_every_parameter_of_the_samples() -> None:
    y = ring() + 0.05 - 0.02 * moment_s * 1e3
    found = fit_stretches(y[None], INTERVAL_S, np.array([1.1 * OMEGA]), np.array([1e-12])).parameters[0]
    assert round(2 * np.pi / OMEGA / INTERVAL_S / MEANS_A_CYCLE) > 1, "the means are of one sample each"
    expected = [0.8 * np.cos(0.7), 0.8 * np.sin(0.7), 0.05, OMEGA, DECAY, -0.02]
    assert found == pytest.approx(expected, rel=1e-5)


def test_stated_uncertainty_is_the_scatter_and_nearly_the_bound_of_all_samples() -> None:
    rng, sigma, n = np.random.default_rng(3), 0.02, 600
    y = ring() + rng.normal(0.0, sigma, (n, moment_s.size))
    fit = fit_stretches(y, INTERVAL_S, np.full(n, OMEGA), np.full(n, sigma**2))
    stated = np.sqrt(np.median(np.einsum("nii->ni", fit.covariance), axis=0))
    scatter = fit.parameters.std(axis=0)
    used = moment_s <= SPAN_CYCLES * 2 * np.pi / OMEGA
    t = moment_s[used]
    cosine, sine = np.exp(-DECAY * t) * np.cos(OMEGA * t), np.exp(-DECAY * t) * np.sin(OMEGA * t)
    a, b = 0.8 * np.cos(0.7), 0.8 * np.sin(0.7)
    change = np.stack(
        [cosine, sine, np.ones_like(t), t * (b * cosine - a * sine), -t * (a * cosine + b * sine), 1e3 * t]
    )
    bound = sigma * np.sqrt(np.diag(np.linalg.inv(change @ change.T)))
    # The scatter of 600 is known to 3 %, one standard uncertainty; 12.5 means a cycle cost
    # 1 % of it.
    assert scatter == pytest.approx(1.01 * bound, rel=0.09)
    # The noise is the least that is stated. Residuals of 150 means that hang together by chance, lag-1 correlation
    # 0.08, raise half of the variances, by 2 x 0.08 typically: less than 0.08 of the uncertainty.
    assert ((stated > 0.995 * bound) & (stated < 1.08 * bound)).all()


def test_a_spoiled_first_trough_is_left_out_and_a_clean_one_is_not() -> None:
    rng = np.random.default_rng(4)
    clean = ring() + rng.normal(0.0, 1e-3, moment_s.size)
    spoiled = np.where(moment_s < 0.8 * 2 * np.pi / OMEGA, np.maximum(clean, -0.1), clean)
    fit = fit_stretches(np.stack([clean, spoiled]), INTERVAL_S, np.full(2, OMEGA), np.full(2, 1e-6))
    assert fit.begin[0] == 0
    assert fit.begin[1] > 0
    assert fit.parameters[1, 3] == pytest.approx(OMEGA, rel=2e-3)


def test_rows_of_different_cycles_and_gaps_do_not_disturb_each_other() -> None:
    fast = np.exp(-3000.0 * moment_s) * np.cos(2 * np.pi * 20_000.0 * moment_s)
    gap = ring()
    gap[40:47] = np.nan
    y, w = np.stack([ring(), fast, gap]), np.array([OMEGA, 2 * np.pi * 20_000.0, OMEGA])
    fit = fit_stretches(y, INTERVAL_S, 0.95 * w, np.full(3, 1e-12))
    assert fit.parameters[:, 3] == pytest.approx(w, rel=1e-5)
    assert fit.parameters[:, 4] == pytest.approx([DECAY, 3000.0, DECAY], rel=1e-4)


def test_a_row_without_samples_has_no_fit() -> None:
    fit = fit_stretches(np.full((1, 300), np.nan), INTERVAL_S, np.array([OMEGA]), np.array([1e-6]))
    assert np.isnan(fit.parameters).all()
    assert fit.begin[0] == fit.end[0]
