"""What the two ends of a coil show of its events, and how likely that is under each assignment of roles."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sigkit.context.role_likelihood import flag_likelihood, level_grid, level_likelihood
from sigkit.context.role_posterior import Likelihood

#: Chance that a synchronising pulse is missing, or there without a power spark.
WRONG_MARK_SHARE = 0.02

#: One kind of evidence of some events, by its name.
Readings = Mapping[str, NDArray[np.float64]]


@dataclass(frozen=True, eq=False)
class _Kind:
    """One kind of evidence: its two grids, how far its offset may lie off, and its weight.

    Numbers from 196 simulated shared-coil engines with their truth (our choice): a waste spark fires at 1 to 4 kV
    and a power spark at 5 to 15 kV (common practice, no source), but the recorder lessens the difference. All weigh
    less than 1, because the kinds err together (of 0.5, 0.65 and 0.75 the most right where 99 % of the named are, on
    500 other engines).
    """

    one_end: NDArray[np.float64]
    difference: NDArray[np.float64]
    wide_offset: float
    weight: float


_KINDS = {
    "peak": _Kind(level_grid((1.25, 0.6), (0.1, 0.9)), level_grid((2.5, 1.1), (0.16, 0.9)), 1.44, 0.75),
    "burn": _Kind(level_grid((0.34, 0.15), (0.055, 1.0)), level_grid((0.68, 0.3), (0.08, 1.0)), 0.9, 0.75),
    # The rise to breakdown, which the two ends share in part: half of the weight.
    "rise": _Kind(level_grid((0.8, 0.7), (0.2, 1.4)), level_grid((1.7, 1.3), (0.3, 1.4)), 1.8, 0.375),
}


@dataclass(frozen=True, eq=False)
class _Series:
    """Readings of one kind, of one end or of the difference of both."""

    weight: float
    values: NDArray[np.float64]
    grid: NDArray[np.float64]
    wide_offset: float | None


def block_likelihood(own: Readings, other: Readings) -> tuple[Likelihood, list[NDArray]]:
    """Return the log likelihood of assignments of roles, and the evidence that may part the events in two.

    Parameters
    ----------
    own, other : mapping of str to ndarray, shape (n,)
        Logarithms of ``peak``, ``burn`` and ``rise``, and ``clipped`` (1 or 0), of the two ends; ``marked``:
        whether a synchronising pulse falls on the event; NaN where missing.

    Examples
    --------
    >>> end = {"peak": np.log([9.0, 3.0, 8.5]), "burn": np.full(3, np.nan), "rise": np.full(3, np.nan)}
    >>> none = {name: np.full(3, np.nan) for name in ("peak", "burn", "rise", "clipped", "marked")}
    >>> likelihood, _ = block_likelihood({**none, **end}, none)
    >>> right, wrong = likelihood(np.array([[1, -1, 1], [-1, 1, -1]]))
    >>> bool(right > wrong + 4)
    True
    """
    series = _series(own, other)

    def likelihood(signs: NDArray) -> NDArray[np.float64]:
        total = flag_likelihood(signs, own["clipped"]) + flag_likelihood(-signs, other["clipped"])
        total = total + _mark_likelihood(signs, own["marked"]) + _mark_likelihood(-signs, other["marked"])
        for one in series:
            total = total + one.weight * level_likelihood(signs, one.values, one.grid, one.wide_offset)
        return total

    return likelihood, [one.values for one in series] + [own["clipped"], -other["clipped"]]


def _mark_likelihood(signs: NDArray, marked: NDArray) -> NDArray[np.float64]:
    """A pulse belongs to power, and none to waste, but for `WRONG_MARK_SHARE`."""
    fits = signs * np.where(np.isfinite(marked), np.where(marked > 0, 1, -1), 0)
    wrong, right = np.log(WRONG_MARK_SHARE), np.log(1.0 - WRONG_MARK_SHARE)
    return np.asarray((fits > 0).sum(axis=1) * right + (fits < 0).sum(axis=1) * wrong)


def _series(own: Readings, other: Readings) -> list[_Series]:
    series = []
    for name, kind in _KINDS.items():
        both = own[name] - other[name]
        compared = bool(np.isfinite(both).any())
        if compared:
            series.append(_Series(kind.weight, both, kind.difference, kind.wide_offset))
        # What one end shows alone counts half beside what the two show together.
        for values in (own[name], -other[name]):
            alone = np.where(np.isfinite(both), np.nan, values)
            if np.isfinite(alone).sum() > 1:
                series.append(_Series(kind.weight * (0.5 if compared else 1.0), alone, kind.one_end, None))
    return series
