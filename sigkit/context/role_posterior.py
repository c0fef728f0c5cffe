"""Probability of power and waste for the events of a coil, from all kinds of evidence together."""

from __future__ import annotations

from collections.abc import Callable
from math import lgamma

import numpy as np
from numpy.typing import NDArray

#: Up to so many events every assignment is weighed, beyond it the likely ones (our choice).
MOST_ENUMERATED = 9
#: Chance that the revolutions of a record are not numbered rightly.
SLIP_SHARE = 0.02
#: Share of recordings by sweeps in which one role may prevail by any amount; in the others both are as likely.
UNEVEN_SHARE = 0.05
#: Share of recorders that are ready again in time, so that successive sweeps of a coil show successive revolutions
#: (our choice; all simulated sweeps are such, and four in ten left out at random made none of them worse).
CONSECUTIVE_SHARE = 0.3

#: Log likelihood of the evidence under each of a set of assignments.
Likelihood = Callable[[NDArray], NDArray]


def role_posterior(
    likelihood: Likelihood, sorters: list[NDArray], number: NDArray | None, count: int
) -> tuple[NDArray[np.float64], NDArray[np.int8], NDArray[np.float64]]:
    """Return the probability that an end is at power in each event.

    Parameters
    ----------
    likelihood : callable
        From assignments, shape (m, n) of 1 (power) and -1, to log likelihoods, shape (m,).
    sorters : list of ndarray, shape (n,)
        Evidence by which events may be parted in two where there are too many to weigh all assignments.
    number : ndarray of int, shape (n,), or None
        Revolution of each event; None for sweeps, which have no common time axis.
    count : int
        Number of events, n.

    Returns
    -------
    probability : ndarray, shape (n,)
    assignments : ndarray, shape (m, n)
        Those weighed.
    weight : ndarray, shape (m,)
        Their log weights, but for a constant.

    Examples
    --------
    >>> def like_first(signs):
    ...     return np.where(signs[:, 0] > 0, 0.0, -5.0)
    >>> role_posterior(like_first, [], np.arange(4), 4)[0].round(2).tolist()
    [0.99, 0.01, 0.98, 0.02]
    """
    if count <= MOST_ENUMERATED:
        signs = (((np.arange(2**count)[:, None] >> np.arange(count)) & 1) * 2 - 1).astype(np.int8)
        weight = likelihood(signs) + log_prior(signs, number)
    else:
        signs, weight = _likely(likelihood, _starts(sorters, number, count), number)
    chance = np.exp(weight - weight.max())
    return (chance / chance.sum()) @ (signs > 0), signs, weight


def log_prior(signs: NDArray, number: NDArray | None) -> NDArray[np.float64]:
    """Return the logarithm of the prior probability of assignments, shape (m, n).

    With numbered revolutions the roles alternate, but for `SLIP_SHARE`; without, they do where the sweeps are
    consecutive, and else each event may have either.
    """
    count = signs.shape[1]
    powers = (signs > 0).sum(axis=1)
    ways = np.array([lgamma(count + 1) - lgamma(k + 1) - lgamma(count - k + 1) for k in range(count + 1)])
    free = np.logaddexp(
        np.log(1.0 - UNEVEN_SHARE) - count * np.log(2.0), np.log(UNEVEN_SHARE / (count + 1)) - ways[powers]
    )
    if number is None:
        turns = np.all(signs[:, 1:] != signs[:, :-1], axis=1)
        return np.logaddexp(
            free + np.log(1.0 - CONSECUTIVE_SHARE), np.where(turns, np.log(CONSECUTIVE_SHARE / 2), -np.inf)
        )
    turned = signs * np.where(number % 2 == 0, 1, -1)
    slips = (np.diff(turned, axis=1) != 0).sum(axis=1)
    whole = np.where(slips == 0, np.log((1.0 - SLIP_SHARE) / 2), -np.inf)
    one = np.where(slips == 1, np.log(SLIP_SHARE / 4 / max(count - 1, 1)), -np.inf)
    return np.logaddexp.reduce([whole, one, np.log(SLIP_SHARE / 2) + free], axis=0)


def _starts(sorters: list[NDArray], number: NDArray | None, count: int) -> NDArray[np.int8]:
    """Return every parting in two along each kind of evidence, and the alternations with a slip at any place."""
    found = []
    for values in sorters:
        known = np.isfinite(values)
        if known.any():
            order = np.argsort(np.where(known, values, np.median(values[known])), kind="stable")
            upper = np.empty((count + 1, count), dtype=np.int8)
            upper[:, order] = np.where(np.arange(count) >= np.arange(count + 1)[:, None], 1, -1)
            found += [upper, -upper]
    parity = np.where((np.arange(count) if number is None else number) % 2 == 0, 1, -1)
    slipped = (parity * np.where(np.arange(count) < np.arange(count)[:, None], -1, 1)).astype(np.int8)
    found += [slipped, -slipped]
    return np.unique(np.concatenate(found), axis=0)


def _likely(likelihood: Likelihood, signs: NDArray, number: NDArray | None) -> tuple[NDArray, NDArray]:
    """Climb from the best start, one event turned at a time; all that was weighed on the way counts."""
    weight = likelihood(signs) + log_prior(signs, number)
    count = signs.shape[1]
    for _ in range(3 * count):
        best = signs[weight.argmax()]
        turned = np.where(np.eye(count, dtype=bool), -best, best).astype(np.int8)
        size = len(signs)
        signs, first = np.unique(np.concatenate([signs, turned]), axis=0, return_index=True)
        fresh = np.concatenate([weight, likelihood(turned) + log_prior(turned, number)])
        weight = fresh[first]
        if len(signs) == size or np.array_equal(signs[weight.argmax()], best):
            break
    return signs, weight
