"""Probability of power and waste for the events of a coil, from all kinds of evidence together."""

from __future__ import annotations

from collections.abc import Callable
from math import lgamma

import numpy as np
from numpy.typing import NDArray

#: Up to so many events every assignment is weighed, beyond it the likely ones (our choice).
MOST_ENUMERATED = 9
#: Chance that roles which take turns are wrongly numbered from one place on.
SLIP_SHARE = 0.02
#: Share of continuous records whose revolutions can be numbered.
NUMBERED_SHARE = 0.99
#: Share of recordings by sweeps in which one role may prevail by any amount; in the others both are as likely.
UNEVEN_SHARE = 0.05
#: Share of recorders that are ready again in time, so that successive sweeps of a coil show successive revolutions
#: (our choice: nothing is known either way). The sweeps of an engine tell more, see `alternation_evidence`.
CONSECUTIVE_SHARE = 0.5

#: Log likelihood of the evidence under each of a set of assignments.
Likelihood = Callable[[NDArray], NDArray]


def weigh_assignments(
    likelihood: Likelihood, sorters: list[NDArray], number: NDArray, alternating: float
) -> tuple[NDArray[np.int8], NDArray[np.float64]]:
    """Return assignments of roles to the events of a coil with their likelihood.

    Parameters
    ----------
    likelihood : callable
        From assignments, shape (m, n) of 1 (power) and -1, to log likelihoods, shape (m,).
    sorters : list of ndarray, shape (n,)
        Evidence by which events may be parted in two where there are too many to weigh all assignments.
    number : ndarray of int, shape (n,)
        Revolution of each event, or its sweep.
    alternating : float
        Chance that the roles take turns along ``number``, 0 to 1.

    Returns
    -------
    assignments : ndarray of int8, shape (m, n)
        All of them, or the likely ones where there are too many.
    log_likelihood : ndarray, shape (m,)
    """
    count = number.size
    if count <= MOST_ENUMERATED:
        signs = (((np.arange(2**count)[:, None] >> np.arange(count)) & 1) * 2 - 1).astype(np.int8)
        return signs, likelihood(signs)
    return _likely(likelihood, _starts(sorters, number, count), number, alternating)


def role_posterior(signs: NDArray, log_likelihood: NDArray, log_prior: NDArray) -> NDArray[np.float64]:
    """Return the probability of power in each event.

    Parameters
    ----------
    signs : ndarray, shape (m, n)
        Assignments.
    log_likelihood, log_prior : ndarray, shape (m,)

    Examples
    --------
    >>> signs = np.array([[1, -1], [-1, 1]])
    >>> role_posterior(signs, np.log([3.0, 1.0]), np.zeros(2)).round(2).tolist()
    [0.75, 0.25]
    """
    weight = log_likelihood + log_prior
    chance = np.exp(weight - weight.max())
    return np.asarray((chance / chance.sum()) @ (signs > 0))


def alternation_evidence(signs: NDArray, log_likelihood: NDArray, number: NDArray) -> float:
    """Return how much likelier the evidence is, as a logarithm, when roles take turns than when they need not.

    Whether successive sweeps show successive revolutions is a matter of the recorder: what one coil tells of it holds
    for all coils it recorded.
    """
    turns, free = (np.logaddexp.reduce(log_likelihood + law) for law in (log_turns(signs, number), log_free(signs)))
    return float(turns - free)


def log_role_prior(signs: NDArray, number: NDArray, alternating: float) -> NDArray[np.float64]:
    """Return the log prior probability of assignments, shape (m, n), with a chance that roles take turns."""
    with np.errstate(divide="ignore"):
        return np.asarray(
            np.logaddexp(log_turns(signs, number) + np.log(alternating), log_free(signs) + np.log1p(-alternating))
        )


def log_turns(signs: NDArray, number: NDArray) -> NDArray[np.float64]:
    """Return the logarithm of the prior where the roles take turns along ``number``, but for `SLIP_SHARE`."""
    turned = signs * np.where(number % 2 == 0, 1, -1)
    slips = (np.diff(turned, axis=1) != 0).sum(axis=1)
    places = signs.shape[1] - 1
    slipping = SLIP_SHARE if places else 0.0
    whole = np.where(slips == 0, np.log((1.0 - slipping) / 2), -np.inf)
    return np.where(slips == 1, np.log(SLIP_SHARE / 2 / max(places, 1)), whole)


def log_free(signs: NDArray) -> NDArray[np.float64]:
    """Return the logarithm of the prior where each event may have either role, whatever the others have."""
    count = signs.shape[1]
    powers = (signs > 0).sum(axis=1)
    ways = np.array([lgamma(count + 1) - lgamma(k + 1) - lgamma(count - k + 1) for k in range(count + 1)])
    return np.asarray(
        np.logaddexp(
            np.log(1.0 - UNEVEN_SHARE) - count * np.log(2.0), np.log(UNEVEN_SHARE / (count + 1)) - ways[powers]
        )
    )


def _starts(sorters: list[NDArray], number: NDArray, count: int) -> NDArray[np.int8]:
    """Return every parting in two along each kind of evidence, and the alternations with a slip at any place."""
    found = []
    for values in sorters:
        known = np.isfinite(values)
        if known.any():
            order = np.argsort(np.where(known, values, np.median(values[known])), kind="stable")
            upper = np.empty((count + 1, count), dtype=np.int8)
            upper[:, order] = np.where(np.arange(count) >= np.arange(count + 1)[:, None], 1, -1)
            found += [upper, -upper]
    parity = np.where(number % 2 == 0, 1, -1)
    slipped = (parity * np.where(np.arange(count) < np.arange(count)[:, None], -1, 1)).astype(np.int8)
    found += [slipped, -slipped]
    return np.unique(np.concatenate(found), axis=0)


def _likely(
    likelihood: Likelihood, signs: NDArray, number: NDArray, alternating: float
) -> tuple[NDArray[np.int8], NDArray[np.float64]]:
    """Climb from the best start, one event turned at a time; all that was weighed on the way counts."""
    found = likelihood(signs)
    count = signs.shape[1]
    for _ in range(3 * count):
        best = signs[(found + log_role_prior(signs, number, alternating)).argmax()]
        turned = np.where(np.eye(count, dtype=bool), -best, best).astype(np.int8)
        size = len(signs)
        signs, first = np.unique(np.concatenate([signs, turned]), axis=0, return_index=True)
        found = np.concatenate([found, likelihood(turned)])[first]
        still = signs[(found + log_role_prior(signs, number, alternating)).argmax()]
        if len(signs) == size or np.array_equal(still, best):
            break
    return signs, found
