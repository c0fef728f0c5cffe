"""One set of bootstrap draws of whole groups, shared by every statistic of a table.

`bootstrap_interval` calls a function once a resample. Here each group is first boiled down to sums, and the
formula is applied to all resamples at once; so a score with twenty figures costs little more than one, and
all its figures rest on the same draws.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sigkit.score.bootstrap import RESAMPLES
from sigkit.score.estimate import Estimate


@dataclass(frozen=True, eq=False)
class GroupDraws:
    """How often each group was drawn in each resample.

    Attributes
    ----------
    names : ndarray, shape (groups,)
        Groups, sorted.
    number : ndarray of int, shape (n,)
        Group of each row, as an index into ``names``.
    times : ndarray of int64, shape (resamples, groups)
        Times a group was drawn.
    level : float
        Probability inside the intervals, between 0 and 1.
    """

    names: NDArray
    number: NDArray[np.int64]
    times: NDArray[np.int64]
    level: float

    @classmethod
    def draw(
        cls, groups: ArrayLike, rng: np.random.Generator, level: float = 0.95, resamples: int = RESAMPLES
    ) -> GroupDraws:
        """Draw as many groups as there are, with replacement, ``resamples`` times.

        Parameters
        ----------
        groups : array_like, shape (n,)
            Group (engine) of each row.
        rng : numpy.random.Generator
        level : float
        resamples : int

        Raises
        ------
        ValueError
            When ``groups`` is not a list, or the level is not between 0 and 1.

        Examples
        --------
        >>> draws = GroupDraws.draw(["a", "a", "b"], np.random.default_rng(0))
        >>> print(draws.of_sums([[1.0, 1.0], [1.0, 1.0], [5.0, 1.0]], lambda s: s[..., 0] / s[..., 1]))
        2.333 (1 to 5)
        """
        groups = np.asarray(groups)
        if groups.ndim != 1:
            raise ValueError(f"groups have {groups.ndim} dimensions; expected one group (engine) a row")
        if not 0 < level < 1:
            raise ValueError(f"level is {level}; expected a probability between 0 and 1")
        names, number = np.unique(groups, return_inverse=True)
        count = names.size
        times = (
            rng.multinomial(count, np.full(count, 1 / count), size=resamples)
            if count > 1
            else np.zeros((0, count), dtype=np.int64)
        )
        return cls(names, number, times, level)

    def sums(self, columns: ArrayLike) -> NDArray[np.float64]:
        """Return the sums of the columns, shape (n,) or (n, k), over the rows of each group: (groups, k)."""
        table = np.asarray(columns, dtype=float)
        table = table[:, None] if table.ndim == 1 else table
        if table.shape[0] != self.number.size:
            raise ValueError(f"{table.shape[0]} rows and {self.number.size} groups; expected one group a row")
        sums = np.zeros((self.names.size, table.shape[1]))
        np.add.at(sums, self.number, table)
        return sums

    def of_sums(self, columns: ArrayLike, formula: Callable[[NDArray], NDArray]) -> Estimate:
        """Return the estimate of a formula of column sums.

        Parameters
        ----------
        columns : array_like of float, shape (n,) or (n, k)
        formula : callable
            Takes sums of shape (..., k), returns shape (...); may divide by zero (left out).
        """
        return self.many_of_sums(columns, lambda sums: formula(sums)[..., None])[0]

    def many_of_sums(self, columns: ArrayLike, formula: Callable[[NDArray], NDArray]) -> list[Estimate]:
        """Return the estimates of a formula that takes sums (..., k) and returns several figures (..., m)."""
        return self.of_group_sums(self.sums(columns), formula)

    def of_group_sums(self, sums: NDArray, formula: Callable[[NDArray], NDArray]) -> list[Estimate]:
        """Do what `many_of_sums` does, from sums that are already by group: shape (groups, k)."""
        with np.errstate(divide="ignore", invalid="ignore"):
            values = np.asarray(formula(sums.sum(axis=0)), dtype=float)
            drawn = np.asarray(formula(self.times @ sums), dtype=float)
        return [
            Estimate(float(value), *self.interval(resampled)) for value, resampled in zip(values, drawn.T, strict=True)
        ]

    def of_quantiles(self, values: ArrayLike, levels: Sequence[float]) -> list[Estimate]:
        """Return the estimates of quantiles (linear interpolation, as NumPy's) of the rows that are not NaN."""
        values = np.asarray(values, dtype=float)
        kept = np.flatnonzero(~np.isnan(values))
        if not kept.size:
            return [Estimate(np.nan) for _ in levels]
        kept = kept[np.argsort(values[kept], kind="stable")]
        ordered, number = values[kept], self.number[kept]
        share = np.asarray(levels, dtype=float)
        drawn = np.full((len(self.times), share.size), np.nan)
        # One resample at a time: the whole table of resamples by rows would not fit into memory.
        for row, times in enumerate(self.times):
            upto = np.cumsum(times[number])
            if upto[-1]:
                rank = share * (upto[-1] - 1)
                below = np.floor(rank)
                left = ordered[np.searchsorted(upto, below, side="right")]
                right = ordered[np.searchsorted(upto, np.minimum(below + 1, upto[-1] - 1), side="right")]
                drawn[row] = left + (rank - below) * (right - left)
        found = np.quantile(ordered, share)
        return [Estimate(float(value), *self.interval(column)) for value, column in zip(found, drawn.T)]

    def interval(self, resampled: NDArray) -> tuple[float, float]:
        """Return the percentile interval of one statistic's resampled values; undefined ones are left out."""
        known = resampled[np.isfinite(resampled)]
        if not known.size:
            return np.nan, np.nan
        low, high = np.quantile(known, [(1 - self.level) / 2, (1 + self.level) / 2])
        return float(low), float(high)
