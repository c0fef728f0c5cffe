"""The Cramer-Rao bound of an instant against closed forms in white noise."""

import sys
from pathlib import Path

import numpy as np
import pytest

BENCHMARKS = Path(__file__).parents[2] / "benchmarks"


@pytest.fixture(autouse=True)
def _scripts_on_the_path(monkeypatch):
    monkeypatch.syspath_prepend(str(BENCHMARKS))
    yield
    sys.modules.pop("timing_bound", None)


def test_the_instant_of_a_known_ramp():
    """Ramp of 10 V in 10 us, a sample a us, 0.1 V of noise: 31.6 ns (Kay 1993, ex. 3.13, formula from memory)."""
    from timing_bound import bound_s

    times = (np.arange(40) - 20.0) * 1e-6
    found = bound_s(lambda t, p: np.clip((t - p[0] * 1e-5) / 1e-6, -5.0, 5.0), np.array([0.005]), times, 0.1)
    # (sigma / A) sqrt(T step): 0.1 / 10 * sqrt(10 us * 1 us).
    assert found == pytest.approx(31.62e-9, rel=0.01)


def test_a_kink_between_two_unknown_lines():
    """Two lines that meet, N samples on either side, change of slope c: var = 8 sigma^2 / (c^2 N).

    Derived here: of the step, the lines leave 1/8 of the energy of one side.
    """
    from timing_bound import bound_s

    n, noise, change = 2000, 0.2, 0.7
    times = (np.arange(2 * n) - n + 0.5) * 1e-8

    def lines(time_s, p):
        s = time_s / 1e-5 - p[0]
        return p[1] + p[2] * s + p[3] * np.maximum(s, 0.0)

    found = bound_s(lines, np.array([0.0, 1.0, 0.3, change]), times, noise)
    assert found / 1e-5 == pytest.approx(np.sqrt(8 * noise**2 / (change**2 * n)), rel=0.01)


def test_least_squares_reaches_the_bound_of_a_kink():
    """The two-piece rival, which is the maximum-likelihood estimate of a kink in white noise, scatters by the bound."""
    sys.path.insert(0, str(BENCHMARKS / "baselines"))
    try:
        from sigkit_baselines.two_piece import two_piece_knot
    finally:
        sys.path.pop(0)
    rng = np.random.default_rng(3)
    n, noise, change = 200, 0.5, 0.4
    x = np.arange(2 * n, dtype=float)
    clean = 2.0 + 0.01 * x - change * np.maximum(x - (n - 0.3), 0.0)
    knots = np.array([two_piece_knot(clean + noise * rng.standard_normal(x.size)) for _ in range(800)])
    bound = np.sqrt(8 * noise**2 / (change**2 * n))
    assert knots.mean() == pytest.approx(n - 0.3, abs=4 * bound / np.sqrt(800) + 0.02)
    # The standard deviation of 800 draws is known to 2.5 %; 10 % is four of that.
    assert knots.std() == pytest.approx(bound, rel=0.10)


def test_more_unknowns_never_lower_the_bound():
    from timing_bound import bound_s, burn_end_model

    times = (np.arange(-200, 121) + 0.5) * 1e-6
    known = np.array([0.0, 1.0, 0.02, 0.0, -0.3, 0.0, 0.3, 0.02])
    alone = bound_s(lambda t, p: burn_end_model(t, np.r_[p, known[1:]]), known[:1], times, 0.01)
    assert bound_s(burn_end_model, known, times, 0.01) > alone
