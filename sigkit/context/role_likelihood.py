"""How likely one kind of evidence is under each assignment of power and waste to the events of a coil."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

#: Share of coils whose evidence differs little and scatters little (slow recorders, poor pickups), and how little.
SMALL_SHARE, SMALL_FACTOR = 0.25, 5.0
#: Share of coils on which a kind of evidence says nothing or the reverse (a faulty end).
REVERSED_SHARE = 0.02
#: Chance of one event that fits neither role in one kind of evidence.
ODD_SHARE = 0.01
#: It is looked for among so many events at most; among more, one cannot turn the rest (our choice).
MOST_ODD = 9
#: The ends of a coil agree but for their pickups and plugs: share and width of the narrow part, share of the wide one.
NARROW_SHARE, NARROW_OFFSET, WIDE_SHARE = 0.65, 0.22, 0.35
#: Chances of a clipped waste and power spark that are weighed, and the weights of less, equal and more often at power.
FLAG_CHANCES = (0.03, 0.15, 0.4, 0.7, 0.95)
FLAG_WEIGHTS = (0.1, 1.0, 3.0)


def level_grid(difference: tuple[float, float], scatter: tuple[float, float]) -> NDArray[np.float64]:
    """Return the pairs of power-less-waste difference and scatter that are weighed, with their log weights.

    Parameters
    ----------
    difference : tuple of float
        Mean and standard deviation over coils.
    scatter : tuple of float
        Median over coils, and standard deviation of its logarithm.

    Returns
    -------
    ndarray of float64, shape (k, 3)
        Log weight, difference, scatter.
    """
    mean, width = difference
    apart = np.concatenate([np.linspace(max(0.03, mean - 2 * width), mean + 2 * width, 6), [-0.2 * mean, 0.0]])
    weight = np.exp(-0.5 * ((apart - mean) / width) ** 2)
    weight[-2:] = 0.0
    weight *= (1.0 - REVERSED_SHARE) / weight.sum()
    weight[-2:] = REVERSED_SHARE / 2
    median, spread = scatter
    # Further up than down: a scatter far above the usual is how faulty coils show.
    steps = np.linspace(-1.3, 2.6, 6)
    chance = np.exp(-0.5 * steps**2)
    logs = np.log(np.outer(weight, chance / chance.sum())).ravel()
    pairs = np.stack([a.ravel() for a in np.meshgrid(apart, median * np.exp(spread * steps), indexing="ij")], axis=1)
    usual = np.column_stack([logs + np.log(1.0 - SMALL_SHARE), pairs])
    small = np.column_stack([logs + np.log(SMALL_SHARE), pairs / SMALL_FACTOR])
    return np.concatenate([usual, small])


def level_likelihood(
    signs: NDArray, values: NDArray, grid: NDArray, wide_offset: float | None = None
) -> NDArray[np.float64]:
    """Return the log likelihood of a level under each assignment.

    A level is an unknown offset, plus or minus half the difference, plus normal scatter; the offset is integrated
    out, difference and scatter are summed over the grid. Of few events, each in turn may also be the odd one out.

    Parameters
    ----------
    signs : ndarray of int, shape (m, n)
        Assignments: 1 where the end is at power, -1 at waste.
    values : ndarray of float, shape (n,)
        Logarithms of levels, of one end, or of one end less those of the other; NaN where missing.
    grid : ndarray, shape (k, 3)
        From `level_grid`.
    wide_offset : float, optional
        For the difference of two ends: the offset is about nothing, in `WIDE_SHARE` of the coils by this much.
        None for one end, whose level says nothing by itself.

    Returns
    -------
    ndarray of float64, shape (m,)

    Examples
    --------
    >>> grid = level_grid((1.3, 0.6), (0.1, 0.9))
    >>> right, wrong = level_likelihood(np.array([[1, -1, 1], [-1, 1, -1]]), np.log([9.0, 3.0, 8.5]), grid)
    >>> bool(right > wrong + 5)
    True
    """
    known = np.flatnonzero(np.isfinite(values))
    whole = _normal(signs, values, grid, wide_offset)
    if not 4 <= known.size <= MOST_ODD:
        return whole
    middle = float(np.median(values[known]))
    reach = 4.0 * max(1.0, float(np.abs(values[known] - middle).max()))
    parts = [whole + np.log(max(1.0 - ODD_SHARE * known.size, 0.5))]
    for one in known:
        without = values.copy()
        without[one] = np.nan
        parts.append(_normal(signs, without, grid, wide_offset) + np.log(ODD_SHARE / reach))
    return np.logaddexp.reduce(parts, axis=0)


def _normal(signs: NDArray, values: NDArray, grid: NDArray, wide_offset: float | None) -> NDArray[np.float64]:
    known = np.isfinite(values)
    count = int(known.sum())
    if count == 0:
        return np.zeros(len(signs))
    y, z = values[known], signs[:, known].astype(float)
    if wide_offset is None:
        y = y - np.median(y)
        offsets: tuple[tuple[float, float], ...] = ((1.0, 3.0),)
    else:
        offsets = ((NARROW_SHARE, NARROW_OFFSET), (WIDE_SHARE, wide_offset))
    half, variance = grid[None, :, 1] / 2, grid[None, :, 2] ** 2
    total = y.sum() - z.sum(axis=1)[:, None] * half
    squares = (y * y).sum() - 2 * half * (z @ y)[:, None] + count * half**2
    parts = [
        np.log(share) + grid[None, :, 0] - 0.5 * count * np.log(2 * np.pi * variance)
        - 0.5 * np.log1p(count * width**2 / variance)
        - 0.5 * (squares - width**2 / (variance + count * width**2) * total**2) / variance
        for share, width in offsets
    ]  # fmt: skip
    return np.logaddexp.reduce(np.concatenate(parts, axis=1), axis=1)


def flag_likelihood(signs: NDArray, flags: NDArray) -> NDArray[np.float64]:
    """Return the log likelihood of a mark (clipped samples) that power sparks bear more often than waste sparks.

    Parameters
    ----------
    signs : ndarray of int, shape (m, n)
    flags : ndarray of float, shape (n,)
        1 where marked, 0 where not, NaN where not known.

    Returns
    -------
    ndarray of float64, shape (m,)

    Examples
    --------
    >>> right, wrong = flag_likelihood(np.array([[1, -1, 1], [-1, 1, -1]]), np.array([1.0, 0.0, 1.0]))
    >>> bool(right > wrong + 2)
    True
    """
    known = np.isfinite(flags)
    marked, power = flags[known], signs[:, known] > 0
    if marked.size == 0 or marked.min() == marked.max():
        return np.zeros(len(signs))
    pairs = [(waste, at_power) for waste in FLAG_CHANCES for at_power in FLAG_CHANCES]
    weight = np.array([FLAG_WEIGHTS[1 + int(np.sign(p - w))] for w, p in pairs])
    weight = np.log(weight / weight.sum())
    yes_power, no_power = power @ marked, power @ (1.0 - marked)
    yes_waste, no_waste = marked.sum() - yes_power, (1.0 - marked).sum() - no_power
    parts = [
        logs + yes_power * np.log(p) + no_power * np.log1p(-p) + yes_waste * np.log(w) + no_waste * np.log1p(-w)
        for logs, (w, p) in zip(weight, pairs, strict=True)
    ]
    return np.logaddexp.reduce(parts, axis=0)
