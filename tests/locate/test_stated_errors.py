"""Stated intervals: read from chances of errors, wider where errors are likelier."""

from __future__ import annotations

import numpy as np
import pytest

from sigkit.locate.stated_errors import BEYOND, QUANTITIES, SIZES, exceeded, told_limits


def network(odds: np.ndarray) -> dict[str, np.ndarray]:
    """A network of one layer that says the same of every firing: three times the given log-odds."""
    bias = np.tile(odds, QUANTITIES)
    return {"weight_0": np.zeros((2, bias.size)), "bias_0": bias}


def test_limit_lies_where_the_chance_is_five_in_a_hundred() -> None:
    # Errors of a normal distribution of 3 samples: 95 of 100 stay within 1.960 x 3 (JCGM 100:2008, table G.1).
    from scipy.stats import norm

    chance = 2.0 * norm.sf(SIZES / 3.0)
    odds = np.log(np.clip(chance, 1e-12, None) / np.clip(1.0 - chance, 1e-12, None))
    limits = told_limits(network(odds), np.zeros((4, 2)))
    assert limits.shape == (4, QUANTITIES)
    # Sizes are 1.67 apart; a line between them is that exact.
    assert limits == pytest.approx(1.960 * 3.0, rel=0.05)


def test_a_larger_error_is_never_taken_for_likelier() -> None:
    falling = np.linspace(4.0, -8.0, SIZES.size)
    dented = falling.copy()
    dented[-2] = 1.0
    wanted = told_limits(network(falling), np.zeros((1, 2)))
    assert told_limits(network(dented), np.zeros((1, 2))) == pytest.approx(wanted)


@pytest.mark.parametrize(("odds", "limit"), [(9.0, SIZES[-1]), (-9.0, SIZES[0])])
def test_limits_stay_within_the_sizes(odds: float, limit: float) -> None:
    assert told_limits(network(np.full(SIZES.size, odds)), np.zeros((1, 2))) == pytest.approx(limit)


def test_what_the_network_learns_gives_back_the_limit() -> None:
    rng = np.random.default_rng(5)
    error = rng.normal(size=(20_000, QUANTITIES)) * [0.2, 2.0, 20.0]
    chance = exceeded(error).mean(axis=0).reshape(QUANTITIES, SIZES.size).clip(1e-6, 1.0 - 1e-6)
    odds = np.log(chance / (1.0 - chance)).ravel()
    held = {"weight_0": np.zeros((2, odds.size)), "bias_0": odds}
    inside = (np.abs(error) <= told_limits(held, np.zeros((1, 2)))).mean(axis=0)
    # A line between two sizes leaves up to 0.012 outside more for normal errors; 0.005 is three standard deviations.
    assert inside == pytest.approx(1.0 - BEYOND, abs=0.017)
