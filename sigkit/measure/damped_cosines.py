"""Least-squares fits of damped cosines with a level and its drift, many rows at once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

#: Damping ratios tried at the start (our choice).
START_DAMPING = (0.02, 0.08, 0.25)
#: Most steps of a fit (our choice), and what is left to gain, in variances of a sample, when one ends: a hundredth of a
#: standard uncertainty (the gain is the squared length of the step in standard uncertainties).
ROUNDS, LEFT_TO_GAIN = 12, 1e-4
#: Sum of squares, as a share, below which rounding hides what is left to gain (our choice).
ROUNDING = 1e-13


@dataclass(frozen=True, eq=False)
class DampedCosines:
    """Fits of n rows.

    Attributes
    ----------
    parameters : ndarray, shape (n, 6)
        Amplitudes of cosine and sine, level, angular frequency, decay (both 1/s) and drift of the level per
        millisecond; time counts from the first column.
    covariance : ndarray, shape (n, 6, 6)
        Of the parameters; inf where they are not told apart.
    raised : ndarray, shape (n,)
        Variance of the residuals, their correlation allowed for, over that of the instrument's noise.
    """

    parameters: NDArray[np.float64]
    covariance: NDArray[np.float64]
    raised: NDArray[np.float64]


def fit_damped_cosines(y: NDArray, interval_s: NDArray, w: NDArray, least: NDArray) -> DampedCosines:
    """Fit rows; NaN marks what is not used.

    Residuals that hang together (a misfit, ripple) carry fewer independent samples: the variance is raised by
    (1 + r) / (1 - r), r their lag-1 correlation (first-order autoregression, time-series texts).

    Parameters
    ----------
    y : ndarray, shape (n, m)
    interval_s : ndarray, shape (n,)
        Time between the columns of each row, seconds.
    w : ndarray, shape (n,)
        Angular frequency to start from, 1/s.
    least : ndarray, shape (n,)
        Variance of a sample from the instrument's noise, the least that counts.

    Returns
    -------
    DampedCosines
    """
    used = np.isfinite(y)
    y0 = np.where(used, y, 0.0)
    start = _start(y0, used, interval_s, w, [ratio * w for ratio in START_DAMPING])
    parameters, covariance, square, left = _refine(y0, used, interval_s, start)
    lagged = np.einsum("ij,ij->i", left[:, 1:], left[:, :-1]) / np.maximum(np.einsum("ij,ij->i", left, left), 1e-300)
    r = np.clip(lagged, 0.0, 0.999)
    variance = square / np.maximum(used.sum(axis=1) - 6, 1) * np.maximum((1 + r) / (1 - r), 1.0)
    raised = np.where(least > 0, variance / np.where(least > 0, least, 1.0), np.inf)
    return DampedCosines(parameters, covariance * np.maximum(variance, least)[:, None, None], raised)


def damped_parts(p: NDArray, t: NDArray, used: NDArray) -> tuple[NDArray, NDArray, NDArray]:
    """Return damped cosine, damped sine and level; ``t`` is evenly spaced from 0 on."""
    power = _powers(p[:, 3], p[:, 4], np.full(len(p), t[1]), t.size)
    return power.real * used, power.imag * used, (p[:, 2:3] + p[:, 5:6] * (t * 1e3)) * used


def _start(y0: NDArray, used: NDArray, interval_s: NDArray, w: NDArray, decays: list[NDArray]) -> NDArray:
    """Return A, B, level, w, decay and a drift of none: the best of a few decays at a frequency."""
    n, m = y0.shape
    results, errors = [], []
    table = np.empty((n, 4, m))
    table[:, 2], table[:, 3] = used, y0
    for decay in decays:
        power = _powers(w, decay, interval_s, m)
        np.multiply(power.real, used, out=table[:, 0])
        np.multiply(power.imag, used, out=table[:, 1])
        gram = table @ np.swapaxes(table, 1, 2)
        linear = np.linalg.solve(gram[:, :3, :3] + 1e-9 * np.eye(3), gram[:, :3, 3:])[:, :, 0]
        # The sum of squares that the linear parameters leave.
        errors.append(
            gram[:, 3, 3] - 2 * np.einsum("ni,ni->n", linear, gram[:, :3, 3])
            + np.einsum("ni,nij,nj->n", linear, gram[:, :3, :3], linear)
        )
        results.append(np.column_stack([linear, w, decay, np.zeros(n)]))
    pick = np.argmin(np.stack(errors), axis=0)
    return np.stack(results)[pick, np.arange(n)]


def _powers(w: NDArray, decay: NDArray, interval_s: NDArray, m: int) -> NDArray[np.complex128]:
    """Return damped cosine and sine of m columns as one complex number."""
    # Powers of one complex step a row, twice as many at a time: a product a sample instead of three transcendental
    # functions.
    power = np.empty((len(w), m), dtype=complex)
    power[:, 0] = 1.0
    step = ((np.maximum(-decay, -1e9) + 1j * w) * interval_s)[:, None]
    done = 1
    while done < m:
        more = min(done, m - done)
        np.multiply(power[:, :more], np.exp(done * step), out=power[:, done : done + more])
        done += more
    return power


def _refine(
    y: NDArray, used: NDArray, interval_s: NDArray, start: NDArray
) -> tuple[NDArray, NDArray, NDArray, NDArray]:
    """Levenberg-Marquardt over all rows; return parameters, unit covariance, sum of squares and residuals."""
    n, m = y.shape
    # Damped cosine and sine, level, drift, the first two times time, and the residual: the products of these among
    # each other are all that a step needs.
    table = np.empty((n, 7, m))
    table[:, 2] = used
    np.multiply(used, (1e3 * interval_s)[:, None] * np.arange(m), out=table[:, 3])
    p = start.copy()
    _fill(table, p, interval_s, y)
    gram = table @ np.swapaxes(table, 1, 2)
    found, products, residual = p.copy(), gram.copy(), table[:, 6].copy()
    damping, free = np.full(n, 1e-3), np.maximum(used.sum(axis=1) - 6, 1)
    rows = np.flatnonzero(used.any(axis=1))
    p, gram, table, damping = p[rows], gram[rows], table[rows], damping[rows]
    settled = np.zeros(rows.size, dtype=bool)
    for _ in range(ROUNDS):
        scaled, unit, promised = _step(p, gram, damping)
        enough = np.maximum(LEFT_TO_GAIN / free[rows], ROUNDING) * gram[:, 6, 6]
        go_on = ~settled & (damping < 1e3) & ((promised >= enough) | (damping > 1e-2))
        if not go_on.all():
            done = ~go_on
            found[rows[done]], products[rows[done]], residual[rows[done]] = p[done], gram[done], table[done, 6]
            rows, p, gram, table, damping = rows[go_on], p[go_on], gram[go_on], table[go_on], damping[go_on]
            scaled, unit, promised = scaled[go_on], unit[go_on], promised[go_on]
        if rows.size == 0:
            break
        step = scaled * unit
        step[:, 3] = np.clip(step[:, 3], -0.3 * p[:, 3], 0.3 * p[:, 3])
        trial = p + step
        trial[:, 4] = np.maximum(trial[:, 4], -0.005 * trial[:, 3])
        other = np.empty_like(table)
        other[:, 2:4] = table[:, 2:4]
        _fill(other, trial, interval_s[rows], y[rows])
        fresh = other @ np.swapaxes(other, 1, 2)
        before, after = gram[:, 6, 6], fresh[:, 6, 6]
        better = after < before
        settled = better & (before - after < np.maximum(LEFT_TO_GAIN / free[rows], ROUNDING) * before)
        settled |= promised < ROUNDING * before
        damping = np.where(better, damping / 5, damping * 6)
        if better.all():
            p, gram, table = trial, fresh, other
        else:
            p[better], gram[better], table[better] = trial[better], fresh[better], other[better]
    found[rows], products[rows], residual[rows] = p, gram, table[:, 6]
    normal, _, unit = _normal(found, products)
    normal[~used.any(axis=1)] = np.eye(6)
    invertible = np.asarray(np.linalg.cond(normal) < 1e13)
    inverse = np.linalg.inv(np.where(invertible[:, None, None], normal, np.eye(6)))
    covariance = inverse * unit[:, :, None] * unit[:, None, :]
    covariance[~invertible] = np.inf
    return found, covariance, products[:, 6, 6], residual


def _step(p: NDArray, gram: NDArray, damping: NDArray) -> tuple[NDArray, NDArray, NDArray]:
    """Return a step in scaled parameters, the scales, and what it promises to take off the sum of squares."""
    normal, gradient, unit = _normal(p, gram)
    diagonal = np.maximum(np.einsum("nii->ni", normal), 1e-12)
    damped = normal + (damping[:, None] * diagonal + 1e-13)[:, :, None] * np.eye(6)
    scaled = np.linalg.solve(damped, gradient[:, :, None])[:, :, 0]
    return scaled, unit, np.einsum("ni,ni->n", scaled, gradient)


def _normal(p: NDArray, gram: NDArray) -> tuple[NDArray, NDArray, NDArray]:
    """Return normal matrix and gradient with respect to scaled parameters (ln w, decay / w), and the scales."""
    unit = np.ones((len(p), 6))
    unit[:, 3] = unit[:, 4] = np.maximum(np.abs(p[:, 3]), 1e-12)
    turn = np.zeros((len(p), 6, 6))
    turn[:, 0, 0] = turn[:, 1, 1] = turn[:, 2, 2] = turn[:, 5, 3] = 1.0
    a, b = 1e-3 * unit[:, 3] * p[:, 0], 1e-3 * unit[:, 3] * p[:, 1]
    turn[:, 3, 4], turn[:, 3, 5] = b, -a
    turn[:, 4, 4], turn[:, 4, 5] = -a, -b
    return turn @ gram[:, :6, :6] @ np.swapaxes(turn, 1, 2), (turn @ gram[:, :6, 6:])[:, :, 0], unit


def _fill(table: NDArray, p: NDArray, interval_s: NDArray, y: NDArray) -> None:
    """Write damped cosine and sine, both times milliseconds, and the residual into a table."""
    power, used, time_ms = _powers(p[:, 3], p[:, 4], interval_s, y.shape[1]), table[:, 2], table[:, 3]
    np.multiply(power.real, used, out=table[:, 0])
    np.multiply(power.imag, used, out=table[:, 1])
    np.multiply(table[:, :2], time_ms[:, None], out=table[:, 4:6])
    np.subtract(y, (p[:, None, [0, 1, 2, 5]] @ table[:, :4])[:, 0], out=table[:, 6])
