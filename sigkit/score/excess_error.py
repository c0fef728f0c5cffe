"""How much of an algorithm's error the labels' own repeatability leaves over."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sigkit.score.bootstrap import RESAMPLES
from sigkit.score.estimate import Estimate
from sigkit.score.group_draws import GroupDraws

#: 95 % of the differences of two readings of one reader lie within this many repeatability standard
#: deviations: 1.96 sqrt(2), rounded to 2.8 in ISO 5725.
LIMIT_FACTOR = 1.96 * np.sqrt(2)


@dataclass(frozen=True)
class ExcessError:
    """An algorithm's disagreement with labels beside the labels' disagreement with themselves.

    Attributes
    ----------
    compared : int
        Answers compared with a label.
    repeated : int
        Pairs of readings of one event by one reader.
    root_mean_square : Estimate
        Of answer minus label, bias included.
    repeatability : Estimate
        Standard deviation of one reading.
    excess_variance : Estimate
        Mean square of answer minus label, less what the spread of the label explains; below zero when chance
        has it so.
    excess : Estimate
        Its square root, zero for a variance at or below zero.
    ratio_to_reader : Estimate
        Root mean square against that of one more reading by the same reader: 1 = as good as a second reading.
    limit : float
        Repeatability limit for one more reading against the label: exceeded by 5 % of honest second readings.
    beyond_limit : Estimate
        Share of the answers further from the label than that limit.
    """

    compared: int
    repeated: int
    root_mean_square: Estimate
    repeatability: Estimate
    excess_variance: Estimate
    excess: Estimate
    ratio_to_reader: Estimate
    limit: float
    beyond_limit: Estimate


def excess_error(
    error: ArrayLike,
    engines: ArrayLike,
    repeat_difference: ArrayLike,
    repeat_engines: ArrayLike,
    rng: np.random.Generator,
    *,
    readings_per_label: int = 1,
    level: float = 0.95,
    resamples: int = RESAMPLES,
) -> ExcessError:
    """Compare an algorithm's errors against labels with the readers' own repeatability.

    The mean square of answer minus label is the algorithm's own plus s_r^2/k, with s_r the repeatability
    standard deviation and k the readings averaged in a label; s_r^2 is half the mean square of the differences
    of repeated readings (ISO 5725-2, two readings a cell). Both are drawn together, by engine.

    Parameters
    ----------
    error : array_like of float, shape (n,)
        Answer minus label, any unit; NaN where nothing was answered (left out: see the share answered).
    engines : array_like, shape (n,)
    repeat_difference : array_like of float, shape (m,)
        Second minus first reading of one event by one reader, same unit; NaN left out.
    repeat_engines : array_like, shape (m,)
    rng : numpy.random.Generator
    readings_per_label : int
        Readings averaged in each label (k), 1 or more.
    level : float
    resamples : int

    Examples
    --------
    >>> found = excess_error([3.0, -3.0], ["a", "b"], [2.0, -2.0], ["a", "b"], np.random.default_rng(0))
    >>> found.repeatability.value**2, found.excess_variance.value
    (2.0000000000000004, 7.0)
    """
    if readings_per_label < 1:
        raise ValueError(f"readings_per_label is {readings_per_label}; expected 1 or more")
    error, engines = _known(error, engines, "error")
    again, again_engines = _known(repeat_difference, repeat_engines, "repeat_difference")
    one_more = 1 + 1 / readings_per_label
    limit = 1.96 * np.sqrt(one_more * np.mean(again**2) / 2) if again.size else np.nan
    columns = np.zeros((error.size + again.size, 5))
    columns[: error.size, 0] = 1
    columns[: error.size, 1] = error**2
    columns[: error.size, 2] = np.abs(error) > limit
    columns[error.size :, 3] = 1
    columns[error.size :, 4] = again**2 / 2

    def formula(sums: NDArray) -> NDArray:
        square, variance = sums[..., 1] / sums[..., 0], sums[..., 4] / sums[..., 3]
        excess = square - variance / readings_per_label
        shown = [np.sqrt(square), np.sqrt(variance), excess, np.sqrt(np.maximum(excess, 0))]
        return np.stack([*shown, np.sqrt(square / (one_more * variance)), sums[..., 2] / sums[..., 0]], axis=-1)

    draws = GroupDraws.draw(np.r_[engines, again_engines], rng, level, resamples)
    rms, repeatability, variance, excess, ratio, beyond = draws.many_of_sums(columns, formula)
    if not again.size:
        beyond = Estimate(np.nan)
    return ExcessError(
        error.size, again.size, rms, repeatability, variance, excess, ratio, float(limit), beyond
    )


def _known(values: ArrayLike, engines: ArrayLike, what: str) -> tuple[NDArray[np.float64], NDArray]:
    array, groups = np.asarray(values, dtype=float), np.asarray(engines).astype(str)
    if array.ndim != 1 or array.shape != groups.shape:
        raise ValueError(f"{what}: {array.shape} values and {groups.shape} engines; expected lists of one length")
    kept = ~np.isnan(array)
    return array[kept], groups[kept]
