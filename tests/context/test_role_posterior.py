"""Probabilities of roles: priors against scipy's laws, search against enumeration."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import betabinom, binom

from sigkit.context import role_posterior as module
from sigkit.context.role_likelihood import level_grid, level_likelihood
from sigkit.context.role_posterior import (
    SLIP_SHARE,
    UNEVEN_SHARE,
    alternation_evidence,
    log_free,
    log_role_prior,
    log_turns,
    role_posterior,
    weigh_assignments,
)

GRID = level_grid((1.3, 0.6), (0.1, 0.9))


def every(count):
    return (((np.arange(2**count)[:, None] >> np.arange(count)) & 1) * 2 - 1).astype(np.int8)


def weighed(values, number, alternating=0.5):
    return weigh_assignments(lambda s: level_likelihood(s, values, GRID), [values], number, alternating)


def posterior(values, number, alternating):
    signs, likelihood = weighed(values, number, alternating)
    return role_posterior(signs, likelihood, log_role_prior(signs, number, alternating))


@pytest.mark.parametrize("alternating", [0.0, 0.3, 0.99])
@pytest.mark.parametrize("number", [np.arange(1), np.arange(6), np.array([0, 1, 3, 4, 6, 7])])
def test_priors_add_up_to_one(number, alternating):
    assert np.exp(log_role_prior(every(number.size), number, alternating)).sum() == pytest.approx(1.0)


def test_free_roles_follow_the_binomial_and_the_even_beta_binomial_law():
    signs = every(5)
    chance = np.exp(log_free(signs))
    for powers in range(6):
        law = (1 - UNEVEN_SHARE) * binom(5, 0.5).pmf(powers) + UNEVEN_SHARE * betabinom(5, 1, 1).pmf(powers)
        assert chance[(signs > 0).sum(axis=1) == powers].sum() == pytest.approx(law)


def test_roles_take_turns_but_for_one_slip():
    signs = every(6)
    chance = np.exp(log_turns(signs, np.arange(6)))
    repeats = (signs[:, 1:] == signs[:, :-1]).sum(axis=1)
    assert chance[repeats == 0] == pytest.approx((1 - SLIP_SHARE) / 2)
    assert chance[repeats == 1] == pytest.approx(SLIP_SHARE / 10)
    assert np.all(chance[repeats > 1] == 0)


def test_a_sweep_left_out_turns_the_parity():
    number = np.array([1, 2, 4, 5])
    likeliest = every(4)[np.isclose(log_turns(every(4), number), np.log((1 - SLIP_SHARE) / 2))]
    assert sorted(likeliest.tolist()) == [[-1, 1, 1, -1], [1, -1, -1, 1]]


@pytest.mark.parametrize("alternating", [0.5, 0.99])
def test_the_search_among_many_finds_what_weighing_all_finds(monkeypatch, alternating):
    rng = np.random.default_rng(4)
    power = np.arange(12) % 2 == 0
    values = np.where(power, 2.0, 1.2) + rng.normal(0.0, 0.15, 12)
    assert len(weighed(values, np.arange(12))[0]) < 2**12
    searched = posterior(values, np.arange(12), alternating)
    monkeypatch.setattr(module, "MOST_ENUMERATED", 12)
    np.testing.assert_allclose(searched, posterior(values, np.arange(12), alternating), atol=0.02)
    np.testing.assert_array_equal(searched > 0.5, power)


@pytest.mark.parametrize(("count", "alternating"), [(1, 0.5), (4, 0.5), (4, 0.99), (20, 0.99)])
def test_without_evidence_both_roles_stay_even(count, alternating):
    number = np.arange(count)
    signs, likelihood = weigh_assignments(lambda s: np.zeros(len(s)), [], number, alternating)
    found = role_posterior(signs, likelihood, log_role_prior(signs, number, alternating))
    np.testing.assert_allclose(found, 0.5, atol=1e-6)


def test_a_slip_of_the_numbering_is_seen():
    number = np.arange(8)
    power = np.where(np.arange(8) < 4, number % 2 == 0, number % 2 == 1)
    found = posterior(np.where(power, 2.0, 0.7), number, 0.99)
    np.testing.assert_array_equal(found > 0.9, power)


def test_levels_tell_whether_roles_take_turns():
    number = np.arange(6)
    turns = alternation_evidence(*weighed(np.where(number % 2 == 0, 2.0, 0.7), number), number)
    stays = alternation_evidence(*weighed(np.where(number < 3, 2.0, 0.7), number), number)
    silent = alternation_evidence(*weighed(np.full(6, np.nan), number), number)
    # Six free roles take turns in one of 32 ways.
    assert 2.5 < turns < np.log(32) + 0.2
    assert stays < -1.0
    assert silent == pytest.approx(0.0, abs=1e-9)
