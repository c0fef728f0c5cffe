"""Least-squares fits of damped cosines with a level and its drift, many rows at once."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

#: Damping ratios tried at the start (our choice).
START_DAMPING = (0.02, 0.08, 0.25)
#: Most steps of a fit (our choice).
ROUNDS = 25


def fit_damped_cosines(
    y: NDArray, used: NDArray, t: NDArray, w: NDArray, weight: NDArray, least: NDArray, correlation: NDArray
) -> tuple[NDArray, NDArray]:
    """Fit rows where ``used``; return parameters and covariance, from the residuals and their correlation.

    Parameters are the amplitudes of cosine and sine, level, angular frequency, decay and drift of the level per
    millisecond.

    Residuals that hang together (a misfit, ripple) carry fewer independent samples: the variance is raised by
    (1 + r) / (1 - r), r their lag-1 correlation (first-order autoregression, time-series texts).
    """
    y0 = np.where(used, y, 0.0)
    parameters = _start(y0, used, t, w)
    parameters, covariance, square, left = _refine(y0, used, t, parameters, weight)
    lagged = np.sum(left[:, 1:] * left[:, :-1], axis=1) / np.maximum(np.sum(left**2, axis=1), 1e-300)
    r = np.clip(lagged, 0.0, 0.999)
    count = used.sum(axis=1)
    variance = square / np.maximum(count - 6, 1) * np.maximum((1 + r) / (1 - r), 1.0)
    variance = np.maximum(variance, least**2 * correlation)
    return parameters, covariance * variance[:, None, None]


def damped_curve(p: NDArray, t: NDArray, used: NDArray) -> NDArray:
    cosine, sine, level = damped_parts(p, t, used)
    return p[:, 0:1] * cosine + p[:, 1:2] * sine + level


def _start(y0: NDArray, used: NDArray, t: NDArray, w: NDArray) -> NDArray:
    """Return A, B, level, w, decay and a drift of none: the best of a few damping ratios at a frequency."""
    n = len(y0)
    results, errors = [], []
    nothing = np.zeros((n, 1))
    for ratio in START_DAMPING:
        decay = ratio * w
        p = np.stack([nothing[:, 0], nothing[:, 0], nothing[:, 0], w, decay, nothing[:, 0]], axis=1)
        cosine, sine, _ = damped_parts(p, t, used)
        basis = np.stack([cosine, sine, 1.0 * used], axis=1)
        normal = basis @ np.swapaxes(basis, 1, 2) + 1e-9 * np.eye(3)
        linear = np.linalg.solve(normal, basis @ y0[:, :, None])
        errors.append(np.sum((y0 - (np.swapaxes(linear, 1, 2) @ basis)[:, 0]) ** 2, axis=1))
        results.append(np.concatenate([linear[:, :, 0], w[:, None], decay[:, None], nothing], axis=1))
    pick = np.argmin(np.stack(errors), axis=0)
    return np.stack(results)[pick, np.arange(n)]


def damped_parts(p: NDArray, t: NDArray, used: NDArray) -> tuple[NDArray, NDArray, NDArray]:
    """Return damped cosine, damped sine and level; ``t`` is evenly spaced from 0 on."""
    power = _powers(p, t)
    return power.real * used, power.imag * used, (p[:, 2:3] + p[:, 5:6] * (t * 1e3)) * used


def _powers(p: NDArray, t: NDArray) -> NDArray[np.complex128]:
    """Return damped cosine and sine as one complex number; ``t`` is evenly spaced from 0 on."""
    # Powers of one complex step a row, twice as many at a time: a product a sample instead of three transcendental
    # functions.
    power = np.empty((len(p), t.size), dtype=complex)
    power[:, 0] = 1.0
    step = np.maximum(-p[:, 4:5], -1e9) * t[1] + 1j * p[:, 3:4] * t[1]
    done = 1
    while done < t.size:
        more = min(done, t.size - done)
        np.multiply(power[:, :more], np.exp(done * step), out=power[:, done : done + more])
        done += more
    return power


def _refine(
    y: NDArray, used: NDArray, t: NDArray, p: NDArray, level_weight: NDArray
) -> tuple[NDArray, NDArray, NDArray, NDArray]:
    """Levenberg-Marquardt over all rows; return parameters, unit covariance, sum of squares and residuals."""
    n, m = y.shape
    damping = np.full(n, 1e-3)
    # Damped cosine and sine, level, drift, and the first two times time: residuals and derivatives are sums of these,
    # so one product of small matrices gives what a step needs.
    basis = np.empty((n, 6, m))
    basis[:, 2], basis[:, 3] = used, used * (t * 1e3)
    _wave(basis, p, t)
    residual = y - _sum_of(basis, p)
    square = np.sum(residual**2, axis=1) + (level_weight * p[:, 2]) ** 2
    normal = np.broadcast_to(np.eye(6), (n, 6, 6)).copy()
    unit = np.ones((n, 6))
    active: NDArray[np.bool_] = np.asarray(used.any(axis=1))
    for _ in range(ROUNDS):
        rows = np.flatnonzero(active)
        if rows.size == 0:
            break
        q, own = p[rows], basis[rows]
        unit[rows, 3] = unit[rows, 4] = np.maximum(np.abs(q[:, 3]), 1e-12)
        # Derivatives with respect to ln w and decay / w: well scaled.
        turn = _derivatives(q, unit[rows, 3])
        matrix = turn @ (own @ np.swapaxes(own, 1, 2)) @ np.swapaxes(turn, 1, 2)
        matrix[:, 2, 2] += level_weight[rows] ** 2
        gradient = (turn @ (own @ residual[rows][:, :, None]))[:, :, 0]
        gradient[:, 2] -= level_weight[rows] ** 2 * q[:, 2]
        normal[rows] = matrix
        diagonal = np.maximum(np.einsum("nii->ni", matrix), 1e-12)
        damped = matrix + damping[rows, None, None] * (diagonal[:, :, None] * np.eye(6))
        scaled = np.linalg.solve(damped + 1e-13 * np.eye(6), gradient[:, :, None])[:, :, 0]
        promised = np.sum(scaled * gradient, axis=1)
        step = scaled * unit[rows]
        step[:, 3] = np.clip(step[:, 3], -0.3 * q[:, 3], 0.3 * q[:, 3])
        trial = q + step
        trial[:, 4] = np.maximum(trial[:, 4], -0.005 * trial[:, 3])
        _wave(own, trial, t)
        left = y[rows] - _sum_of(own, trial)
        new = np.sum(left**2, axis=1) + (level_weight[rows] * trial[:, 2]) ** 2
        better = new < square[rows]
        change = (square[rows] - new) / np.maximum(square[rows], 1e-300)
        # What rounding hides is not worth further trials.
        settled = (better & (change < 1e-7)) | (promised < 1e-13 * square[rows])
        taken = rows[better]
        p[taken], residual[taken], square[taken] = trial[better], left[better], new[better]
        basis[taken, :2], basis[taken, 4:] = own[better, :2], own[better, 4:]
        damping[rows] = np.where(better, damping[rows] / 5, damping[rows] * 6)
        active[rows] = ~settled & (damping[rows] < 1e3)
    invertible = np.asarray(np.linalg.cond(normal) < 1e13)
    inverse = np.linalg.inv(np.where(invertible[:, None, None], normal, np.eye(6)))
    covariance = inverse * unit[:, :, None] * unit[:, None, :]
    covariance[~invertible] = np.inf
    return p, covariance, np.maximum(square - (level_weight * p[:, 2]) ** 2, 0.0), residual


def _wave(basis: NDArray, p: NDArray, t: NDArray) -> None:
    """Write damped cosine and sine, and both times milliseconds, into a basis."""
    power, used = _powers(p, t), basis[:, 2]
    np.multiply(power.real, used, out=basis[:, 0])
    np.multiply(power.imag, used, out=basis[:, 1])
    np.multiply(basis[:, :2], t * 1e3, out=basis[:, 4:])


def _sum_of(basis: NDArray, p: NDArray) -> NDArray[np.float64]:
    """Return the curves of parameters on their basis."""
    return np.asarray((p[:, None, [0, 1, 2, 5]] @ basis[:, :4])[:, 0])


def _derivatives(p: NDArray, unit: NDArray) -> NDArray[np.float64]:
    """Return the derivatives by parameters as sums of the basis, shape (n, 6, 6)."""
    turn = np.zeros((len(p), 6, 6))
    turn[:, 0, 0] = turn[:, 1, 1] = turn[:, 2, 2] = turn[:, 5, 3] = 1.0
    a, b = 1e-3 * unit * p[:, 0], 1e-3 * unit * p[:, 1]
    turn[:, 3, 4], turn[:, 3, 5] = b, -a
    turn[:, 4, 4], turn[:, 4, 5] = -a, -b
    return turn
