"""Likelihoods of role assignments against scipy's distributions (Virtanen and others 2020) and drawn levels."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import binom, multivariate_normal

from sigkit.context.role_likelihood import (
    FLAG_CHANCES,
    FLAG_WEIGHTS,
    MOST_ODD,
    NARROW_OFFSET,
    NARROW_SHARE,
    WIDE_SHARE,
    flag_likelihood,
    level_grid,
    level_likelihood,
)

SIGNS = np.array([[1, -1, 1], [-1, 1, -1], [1, 1, 1], [1, -1, -1]])


def test_the_grid_is_a_distribution_about_the_given_means():
    grid = level_grid((2.0, 0.4), (0.1, 0.5))
    weight = np.exp(grid[:, 0])
    assert weight.sum() == pytest.approx(1.0)
    usual = grid[:, 1] > 1.0
    assert np.average(grid[usual, 1], weights=weight[usual]) == pytest.approx(2.0, rel=0.02)
    assert weight[grid[:, 1] <= 0].sum() == pytest.approx(0.02)


def test_two_ends_are_the_normal_law_with_the_offset_integrated_out():
    difference, scatter, wide = 1.4, 0.3, 0.9
    grid = np.array([[0.0, difference, scatter]])
    values = np.array([0.5, -0.9, 0.8])
    found = level_likelihood(SIGNS, values, grid, wide)
    for signs, got in zip(SIGNS, found, strict=True):
        density = sum(
            share * multivariate_normal(signs * difference / 2, scatter**2 * np.eye(3) + width**2).pdf(values)
            for share, width in ((NARROW_SHARE, NARROW_OFFSET), (WIDE_SHARE, wide))
        )
        assert got == pytest.approx(np.log(density), abs=1e-9)


def test_the_level_of_one_end_says_nothing_by_itself():
    grid = level_grid((1.3, 0.6), (0.1, 0.9))
    values = np.array([0.5, -0.9, 0.8])
    first = level_likelihood(SIGNS, values, grid)
    np.testing.assert_allclose(level_likelihood(SIGNS, values + 7.0, grid), first, atol=1e-9)
    up, down = level_likelihood(np.array([[1], [-1]]), np.array([3.0]), grid)
    assert up == pytest.approx(down)


def test_missing_levels_say_nothing():
    grid = level_grid((1.3, 0.6), (0.1, 0.9))
    values = np.array([0.5, np.nan, 0.8])
    turned = SIGNS.copy()
    turned[:, 1] *= -1
    np.testing.assert_allclose(level_likelihood(SIGNS, values, grid), level_likelihood(turned, values, grid))
    assert not level_likelihood(SIGNS, np.full(3, np.nan), grid).any()


@pytest.mark.parametrize("count", [6, MOST_ODD + 1])
def test_of_few_events_one_may_be_odd(count):
    grid = level_grid((1.3, 0.3), (0.05, 0.3))
    signs = np.where(np.arange(count) % 2 == 0, 1, -1)
    values = 0.65 * signs + 0.01 * np.cos(np.arange(count))
    values[1] = 6.0
    right, wrong = level_likelihood(np.stack([signs, -signs]), values, grid)
    if count <= MOST_ODD:
        assert right > wrong + 10
    plain = level_likelihood(np.stack([signs, -signs]), np.where(np.arange(count) == 1, np.nan, values), grid)
    assert plain[0] > right


def test_clipping_is_the_binomial_law_over_the_weighed_chances():
    flags, signs = np.array([1.0, 0.0, 1.0, 0.0, 0.0]), np.array([[1, -1, 1, -1, 1]])
    total = weight_sum = 0.0
    for waste in FLAG_CHANCES:
        for power in FLAG_CHANCES:
            weight = FLAG_WEIGHTS[1 + int(np.sign(power - waste))]
            # Orders of given counts are equally likely: the law of one order is the binomial law over their number.
            chance = binom(3, power).pmf(2) / 3 * binom(2, waste).pmf(0)
            total, weight_sum = total + weight * chance, weight_sum + weight
    assert flag_likelihood(signs, flags)[0] == pytest.approx(np.log(total / weight_sum), abs=1e-9)


def test_marks_that_do_not_vary_say_nothing():
    assert not flag_likelihood(SIGNS, np.ones(3)).any()
    assert not flag_likelihood(SIGNS, np.full(3, np.nan)).any()
