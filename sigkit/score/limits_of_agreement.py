"""Limits of agreement between two ways of measuring, for single pairs and for several pairs an engine."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sigkit.score.bootstrap import RESAMPLES
from sigkit.score.estimate import Estimate
from sigkit.score.group_draws import GroupDraws

#: Standard deviations from the bias to a limit: 95 % of a normal distribution lie between the limits.
MULTIPLIER = 1.96


@dataclass(frozen=True)
class LimitsOfAgreement:
    """Bias and limits, in the unit of the differences.

    Attributes
    ----------
    pairs : int
    bias : Estimate
        Mean difference, first minus second.
    standard_deviation : float
        Of the differences; for repeated pairs that of one further pair of a further engine.
    lower, upper : Estimate
        Bias minus and plus ``multiplier`` standard deviations.
    standard_error_of_bias, standard_error_of_limit : float
        NaN where the intervals come from a bootstrap.
    within_engine, between_engines : float
        Parts of the standard deviation; NaN for single pairs.
    """

    pairs: int
    bias: Estimate
    standard_deviation: float
    lower: Estimate
    upper: Estimate
    standard_error_of_bias: float = np.nan
    standard_error_of_limit: float = np.nan
    within_engine: float = np.nan
    between_engines: float = np.nan


def limits_of_agreement(
    first: ArrayLike, second: ArrayLike, *, multiplier: float = MULTIPLIER, level: float = 0.95
) -> LimitsOfAgreement:
    """Return bias and limits of independent pairs, with intervals from the t distribution.

    After Bland and Altman, Lancet 1986;1:307-310: standard error of the bias s/sqrt(n), of a limit about
    sqrt(3 s^2/n), n - 1 degrees of freedom. Pairs of one engine are not independent: use
    `repeated_limits_of_agreement` for them.

    Parameters
    ----------
    first, second : array_like of float, shape (n,)
        Same unit; pairs with a NaN are left out.
    multiplier : float
    level : float
        Probability inside the intervals.

    Examples
    --------
    >>> found = limits_of_agreement([3.0, 5.0, 7.0, 9.0], [2.0, 5.0, 6.0, 7.0])
    >>> found.bias.value, round(found.standard_deviation, 4)
    (1.0, 0.8165)
    """
    from scipy.stats import t

    difference = _difference(first, second)
    difference = difference[~np.isnan(difference)]
    count = difference.size
    if count < 2:
        return LimitsOfAgreement(count, Estimate(np.nan), np.nan, Estimate(np.nan), Estimate(np.nan))
    bias, spread = float(difference.mean()), float(difference.std(ddof=1))
    factor = float(t.ppf((1 + level) / 2, count - 1))
    of_bias, of_limit = spread / np.sqrt(count), spread * np.sqrt(3 / count)

    def about(value: float, error: float) -> Estimate:
        return Estimate(value, float(value - factor * error), float(value + factor * error))

    lower, upper = bias - multiplier * spread, bias + multiplier * spread
    return LimitsOfAgreement(
        count, about(bias, of_bias), spread, about(lower, of_limit), about(upper, of_limit), float(of_bias),
        float(of_limit),
    )  # fmt: skip


def repeated_limits_of_agreement(
    first: ArrayLike,
    second: ArrayLike,
    engines: ArrayLike,
    rng: np.random.Generator,
    *,
    multiplier: float = MULTIPLIER,
    level: float = 0.95,
    resamples: int = RESAMPLES,
) -> LimitsOfAgreement:
    """Return bias and limits of several pairs an engine, with bootstrap intervals over engines.

    One-way analysis of variance of the differences by engine; the variance of one further pair is the sum of
    the parts within and between engines (Bland and Altman, Stat. Methods Med. Res. 1999;8:135-160, section
    5.3, true value varying; from memory). A negative part between engines is set to zero.

    Parameters
    ----------
    first, second : array_like of float, shape (n,)
        Same unit; pairs with a NaN are left out.
    engines : array_like, shape (n,)
    rng : numpy.random.Generator
    multiplier : float
    level : float
    resamples : int

    Examples
    --------
    >>> found = repeated_limits_of_agreement([1.0, 1.2, 3.0, 3.2], [0.0] * 4, ["a", "a", "b", "b"],
    ...                                      np.random.default_rng(0))
    >>> found.bias.value, round(found.within_engine, 4), round(found.between_engines, 4)
    (2.1, 0.1414, 1.4107)
    """
    difference = _difference(first, second)
    known = ~np.isnan(difference)
    difference = difference[known]
    engines = np.asarray(engines)
    if engines.shape != known.shape:
        raise ValueError(f"{known.size} pairs and {engines.size} engines; expected one engine a pair")
    draws = GroupDraws.draw(engines[known], rng, level, resamples)
    centre = float(difference.mean()) if difference.size else 0.0
    away = difference - centre
    by_group = draws.sums(np.stack([np.ones(away.size), away, away**2], axis=-1))
    count, total, square = by_group.T
    sums = np.stack([np.ones(count.size), count, count**2, total, total**2 / np.maximum(count, 1), square], axis=-1)

    def formula(sums: NDArray) -> NDArray:
        groups, pairs, pairs_squared, first, explained, second = (sums[..., place] for place in range(6))
        mean = first / pairs
        within = (second - explained) / (pairs - groups)
        between_square = (explained - first * mean) / (groups - 1)
        size = (pairs - pairs_squared / pairs) / (groups - 1)
        # With one pair an engine the parts cannot be told apart: the whole is then between engines.
        within = np.where(pairs > groups, np.maximum(within, 0), 0.0)
        between = np.maximum((between_square - within) / size, 0)
        spread = np.sqrt(within + between)
        bias = mean + centre
        lower, upper = bias - multiplier * spread, bias + multiplier * spread
        return np.stack([bias, spread, lower, upper, np.sqrt(within), np.sqrt(between)], axis=-1)

    bias, spread, lower, upper, within, between = draws.of_group_sums(sums, formula)
    return LimitsOfAgreement(
        int(difference.size), bias, spread.value, lower, upper, within_engine=within.value,
        between_engines=between.value,
    )  # fmt: skip


def _difference(first: ArrayLike, second: ArrayLike) -> NDArray[np.float64]:
    one, other = np.asarray(first, dtype=float), np.asarray(second, dtype=float)
    if one.ndim != 1 or one.shape != other.shape:
        raise ValueError(f"{one.shape} first and {other.shape} second values; expected lists of one length")
    return one - other
