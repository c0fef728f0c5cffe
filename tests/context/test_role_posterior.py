"""Probabilities of roles: priors against scipy's laws, search against enumeration."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import betabinom, binom

from sigkit.context import role_posterior as module
from sigkit.context.role_likelihood import level_grid, level_likelihood
from sigkit.context.role_posterior import (
    CONSECUTIVE_SHARE,
    SLIP_SHARE,
    UNEVEN_SHARE,
    log_prior,
    role_posterior,
)

GRID = level_grid((1.3, 0.6), (0.1, 0.9))


def every(count):
    return (((np.arange(2**count)[:, None] >> np.arange(count)) & 1) * 2 - 1).astype(np.int8)


def posterior(values, number):
    return role_posterior(lambda signs: level_likelihood(signs, values, GRID), [values], number, values.size)


@pytest.mark.parametrize("number", [None, np.arange(6), np.array([0, 1, 3, 4, 6, 7])])
def test_priors_add_up_to_one(number):
    assert np.exp(log_prior(every(6), number)).sum() == pytest.approx(1.0)


def test_sweeps_follow_the_binomial_and_the_even_beta_binomial_law():
    signs = every(5)
    chance = np.exp(log_prior(signs, None))
    for powers in range(6):
        law = (1 - UNEVEN_SHARE) * binom(5, 0.5).pmf(powers) + UNEVEN_SHARE * betabinom(5, 1, 1).pmf(powers)
        law = (1 - CONSECUTIVE_SHARE) * law + CONSECUTIVE_SHARE / 2 * (powers in (2, 3))
        assert chance[(signs > 0).sum(axis=1) == powers].sum() == pytest.approx(law)


def test_numbered_revolutions_alternate():
    signs = every(6)
    chance = np.exp(log_prior(signs, np.arange(6)))
    steady = np.all(signs[:, 1:] != signs[:, :-1], axis=1)
    assert steady.sum() == 2
    assert chance[steady].sum() == pytest.approx(1 - SLIP_SHARE, abs=0.01)


@pytest.mark.parametrize("number", [None, np.arange(12)])
def test_the_search_among_many_finds_what_weighing_all_finds(monkeypatch, number):
    rng = np.random.default_rng(4)
    power = np.arange(12) % 2 == 0
    values = np.where(power, 2.0, 1.2) + rng.normal(0.0, 0.15, 12)
    searched, signs, _ = posterior(values, number)
    assert len(signs) < 2**12
    monkeypatch.setattr(module, "MOST_ENUMERATED", 12)
    np.testing.assert_allclose(searched, posterior(values, number)[0], atol=0.02)
    np.testing.assert_array_equal(searched > 0.5, power)


def test_without_evidence_both_roles_stay_even():
    for number in (None, np.arange(4), np.arange(20)):
        count = 4 if number is None else number.size
        found = role_posterior(lambda signs: np.zeros(len(signs)), [], number, count)[0]
        np.testing.assert_allclose(found, 0.5, atol=1e-6)


def test_a_slip_of_the_numbering_is_seen():
    number = np.arange(8)
    power = np.where(np.arange(8) < 4, number % 2 == 0, number % 2 == 1)
    found = posterior(np.where(power, 2.0, 0.7), number)[0]
    np.testing.assert_array_equal(found > 0.9, power)
