"""Krippendorff's alpha: agreement of any number of readers, with gaps, on four scales."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sigkit.score.bootstrap import RESAMPLES
from sigkit.score.estimate import Estimate
from sigkit.score.group_draws import GroupDraws

#: Most distinct values for scales that need a table of value by value (our choice: memory).
MOST_VALUES = 100


def krippendorff_alpha(
    ratings: ArrayLike,
    engines: ArrayLike,
    rng: np.random.Generator,
    *,
    scale: Literal["nominal", "ordinal", "interval", "ratio"] = "nominal",
    values: Sequence | None = None,
    level: float = 0.95,
    resamples: int = RESAMPLES,
) -> Estimate:
    """Return Krippendorff's alpha with its bootstrap interval over engines.

    From Krippendorff, Content Analysis, 3rd ed. 2013, ch. 12 (coincidences of values within units). Own code:
    the Python package for it is under the GPL and gives no interval.

    Parameters
    ----------
    ratings : array_like, shape (readers, units)
        Numbers (NaN missing) or texts (``""`` or None missing).
    engines : array_like, shape (units,)
    rng : numpy.random.Generator
    scale : {"nominal", "ordinal", "interval", "ratio"}
        Texts are nominal, or ordinal with ``values``.
    values : sequence, optional
        Values from lowest to highest for texts on an ordinal scale; those that occur, sorted, otherwise.
    level : float
    resamples : int

    Returns
    -------
    Estimate
        1 = perfect, 0 = as by chance; NaN where only one value occurs or nothing was rated twice.

    Raises
    ------
    ValueError
        When shapes do not fit, a value is not among ``values``, or there are too many distinct ones.

    Examples
    --------
    >>> ratings = [[1, 2, 3, 3], [1, 2, 3, float("nan")], [1, 2, 1, 3]]
    >>> round(krippendorff_alpha(ratings, ["a", "a", "b", "b"], np.random.default_rng(0)).value, 4)
    0.75
    """
    if scale not in ("nominal", "ordinal", "interval", "ratio"):
        raise ValueError(f"scale is {scale}; expected nominal, ordinal, interval or ratio")
    table = np.asarray(ratings, dtype=object)
    groups = np.asarray(engines)
    if table.ndim != 2 or groups.shape != table.shape[1:]:
        raise ValueError(
            f"ratings have shape {table.shape} and engines {groups.shape}; expected readers by units, and an engine "
            "a unit"
        )
    given = ~np.vectorize(_missing, otypes=[bool])(table)
    draws = GroupDraws.draw(groups, rng, level, resamples)
    if scale == "interval":
        return draws.of_sums(_moments(table, given), _alpha_of_moments)
    numeric = not any(isinstance(one, str) for one in table[given])
    flat = table[given].astype(float) if numeric else table[given].astype(str)
    if scale == "ratio" and not (numeric and (flat >= 0).all()):
        raise ValueError("a ratio scale needs numbers of 0 or more")
    known = np.unique(flat) if values is None else np.asarray(values, dtype=float if numeric else str)
    if known.size > MOST_VALUES:
        raise ValueError(f"{known.size} distinct values; at most {MOST_VALUES} on this scale: use interval")
    same = flat[:, None] == known
    if not same.any(axis=1).all():
        raise ValueError(f"not among the values: {flat[~same.any(axis=1)][0]}")
    counts = np.zeros((table.shape[1], known.size))
    np.add.at(counts, np.nonzero(given)[1], same.astype(float))
    size = known.size

    def formula(sums: NDArray) -> NDArray:
        pairs = sums.reshape(*sums.shape[:-1], size, size)
        margin = pairs.sum(axis=-1)
        total = margin.sum(axis=-1)
        apart = _distance(scale, known, margin)
        observed = (pairs * apart).sum(axis=(-1, -2))
        expected = (margin[..., :, None] * margin[..., None, :] * apart).sum(axis=(-1, -2)) / (total - 1)
        return 1 - observed / expected

    return draws.of_sums(_coincidences(counts), formula)


def _missing(one: object) -> bool:
    return one is None or (isinstance(one, str) and not one) or (isinstance(one, float) and bool(np.isnan(one)))


def _coincidences(counts: NDArray) -> NDArray[np.float64]:
    """Return per unit the pairs of values, each unit's pairs weighted by 1/(ratings - 1), in a row."""
    units, size = counts.shape
    pairs = counts[:, :, None] * counts[:, None, :]
    pairs[:, np.arange(size), np.arange(size)] -= counts
    rated = counts.sum(axis=1)
    return (pairs / np.maximum(rated - 1, 1)[:, None, None]).reshape(units, size * size)


def _distance(scale: str, known: NDArray, margin: NDArray) -> NDArray[np.float64]:
    """Return the squared distance of every two values."""
    size = known.size
    if scale == "nominal":
        return 1.0 - np.eye(size)
    if scale == "ratio":
        together = known[:, None] + known
        return np.divide(known[:, None] - known, together, out=np.zeros((size, size)), where=together > 0) ** 2
    # Ratings from one value to the other, the two ends counted by half.
    middle = np.cumsum(margin, axis=-1) - margin / 2
    return (middle[..., :, None] - middle[..., None, :]) ** 2


def _moments(table: NDArray, given: NDArray) -> NDArray[np.float64]:
    """Return per unit with two ratings or more: ratings, their sum, sum of squares, and squared distances."""
    values = np.where(given, table, 0).astype(float)
    rated = given.sum(axis=0)
    pairable = rated > 1
    used = given & pairable
    centre = values[used].mean() if used.any() else 0.0
    values = np.where(used, values - centre, 0)
    first, second = values.sum(axis=0), (values**2).sum(axis=0)
    apart = 2 * (rated * second - first**2) / np.maximum(rated - 1, 1)
    return np.stack([rated * pairable, first, second, apart * pairable], axis=-1)


def _alpha_of_moments(sums: NDArray) -> NDArray:
    rated, first, second, apart = (sums[..., place] for place in range(4))
    return 1 - apart * (rated - 1) / (2 * (rated * second - first**2))
