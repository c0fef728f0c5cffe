"""Robust straight line, curvature, hash and step of many burn lines at once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sigkit.prepare.median import row_median, row_spread

#: Tuning constant of the bisquare weight, 95 % efficient for normal noise (Beaton and Tukey 1974;
#: Huber, Robust Statistics; value from memory).
BISQUARE = 4.685
EFFICIENCY = 0.95
#: Blocks whose medians start the line, and blocks between which a step is looked for (our choice).
START_BLOCKS = 9
STEP_BLOCKS = 16
ROUNDS = 6


@dataclass(frozen=True, eq=False)
class BurnLineFit:
    """Fits of n burn lines. Arrays have shape (n,); NaN where there are too few samples.

    ``unit`` is the unit of the samples, ``time`` that of the times given.

    Attributes
    ----------
    centre : time of the middle of the fitted span.
    level, level_u : value of the line there (unit).
    slope, slope_u : slope of the robust line (unit / time).
    curvature, curvature_u : second derivative of the robust parabola (unit / time^2).
    rms : rms of the samples about the parabola (about the line where there are fewer than 8), unit.
    step, step_u : largest step with the line's own trend taken out, signed (unit).
    residual_correlation : lag-1 correlation of the residuals.
    count : number of samples used.
    """

    centre: NDArray[np.float64]
    level: NDArray[np.float64]
    level_u: NDArray[np.float64]
    slope: NDArray[np.float64]
    slope_u: NDArray[np.float64]
    curvature: NDArray[np.float64]
    curvature_u: NDArray[np.float64]
    rms: NDArray[np.float64]
    step: NDArray[np.float64]
    step_u: NDArray[np.float64]
    residual_correlation: NDArray[np.float64]
    count: NDArray[np.int64]


def fit_burn_line(
    time: NDArray,
    value: NDArray,
    noise: NDArray | None = None,
    noise_correlation: NDArray | float = 1.0,
) -> BurnLineFit:
    """Fit a robust line and a robust parabola to each row.

    A start from block medians (median of the slopes between them, after Theil and Sen) is refined by
    iteratively re-weighted least squares with bisquare weights, so restrike spikes do not pull.
    Standard uncertainties are those of least squares (JCGM 100:2008, H.3) divided by the efficiency of
    the weights: from ``noise`` where given, else from the residuals and their lag-1 correlation r,
    variance times (1 + r)/(1 - r).

    Parameters
    ----------
    time : ndarray of float, shape (n, m)
        Times in any one unit (seconds, milliseconds), increasing along a row.
    value : ndarray of float, shape (n, m)
        Samples in time order; NaN marks what is not to be used.
    noise : ndarray of float, shape (n,), optional
        Standard deviation of the instrument's noise, unit of ``value``.
    noise_correlation : float or ndarray, shape (n,)
        Factor on the variance of a mean for noise that is not white, 1 or more.

    Returns
    -------
    BurnLineFit

    Examples
    --------
    >>> t = np.linspace(0.0, 1.0, 50)[None, :]
    >>> y = 800.0 + 150.0 * t
    >>> y[0, 10] = 5000.0
    >>> fit = fit_burn_line(t, y)
    >>> round(float(fit.slope[0]), 6), round(float(fit.level[0]), 6)
    (150.0, 875.0)
    """
    time = np.broadcast_to(np.asarray(time, dtype=float), np.shape(value))
    value = np.asarray(value, dtype=float)
    valid = np.isfinite(value)
    count = valid.sum(axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        first = np.min(np.where(valid, time, np.inf), axis=1, initial=np.inf)
        last = np.max(np.where(valid, time, -np.inf), axis=1, initial=-np.inf)
        usable = count >= 3
        centre = np.where(usable, 0.5 * (first + last), 0.0)
        half = np.where(usable & (last > first), 0.5 * (last - first), 1.0)
        x_full = np.where(valid, (time - centre[:, None]) / half[:, None], 0.0)
        x, y, share = _thin(x_full, value, valid)
        ok = share > 0
        line = _start(x, np.where(ok, y, np.nan))
        line, line_weight = _reweight(x, y, share, line)
        bowed = count >= 8
        parabola = np.concatenate([line, np.zeros((len(line), 1))], axis=1)
        parabola, _ = _reweight(x, y, share, parabola, line_weight)
        parabola = np.where(bowed[:, None], parabola, np.concatenate([line, np.zeros((len(line), 1))], axis=1))
        residual = np.where(valid, value - _evaluate(parabola, x_full), np.nan)
        sum_square = np.nansum(residual**2, axis=1)
        rms = np.sqrt(sum_square / np.maximum(count, 1))
        both = valid[:, 1:] & valid[:, :-1]
        lagged = np.sum(np.where(both, residual[:, 1:] * residual[:, :-1], 0.0), axis=1)
        correlation = np.clip(lagged / np.where(sum_square > 0, sum_square, 1.0), 0.0, 0.95)
        if noise is None:
            spread = rms * np.sqrt(count / np.maximum(count - 3.0, 1.0))
            sigma = spread * np.sqrt((1 + correlation) / (1 - correlation))
        else:
            sigma = np.broadcast_to(np.asarray(noise, dtype=float), count.shape) * np.sqrt(noise_correlation)
        sigma = sigma / np.sqrt(EFFICIENCY)
        level_s, slope_s, bow_s = _sensitivities(np.where(line_weight > 0, share, 0.0), x)
        step, step_u = _largest_step(x_full, np.where(valid, value - _evaluate(line, x_full), np.nan), sigma)
    nan = np.where(usable, 0.0, np.nan)
    bow_nan = np.where(bowed, 0.0, np.nan)
    return BurnLineFit(
        centre=centre + nan,
        level=line[:, 0] + nan,
        level_u=sigma * level_s + nan,
        slope=line[:, 1] / half + nan,
        slope_u=sigma * slope_s / half + nan,
        curvature=2 * parabola[:, 2] / half**2 + bow_nan,
        curvature_u=2 * sigma * bow_s / half**2 + bow_nan,
        rms=rms + nan,
        step=step + nan,
        step_u=step_u + nan,
        residual_correlation=correlation + nan,
        count=count,
    )


def _thin(x: NDArray, y: NDArray, valid: NDArray) -> tuple[NDArray, NDArray, NDArray]:
    """Average neighbouring samples so that the shortest row keeps about 200 points."""
    present = valid.sum(axis=1)
    present = present[present >= 3]
    factor = max(1, int(present.min()) // 200) if present.size else 1
    share = valid.astype(float)
    y = np.where(valid, y, 0.0)
    if factor == 1:
        return x, y, share
    n, m = x.shape
    pad = -m % factor
    if pad:
        x, y, share = (np.pad(a, ((0, 0), (0, pad))) for a in (x, y, share))
    total = share.reshape(n, -1, factor).sum(axis=2)
    safe = np.where(total > 0, total, 1.0)
    x = (x * share).reshape(n, -1, factor).sum(axis=2) / safe
    y = (y * share).reshape(n, -1, factor).sum(axis=2) / safe
    return x, y, total


def _blocks(x: NDArray, y: NDArray, number: int) -> tuple[NDArray, NDArray]:
    """Return the median of y and the middle of x in equal stretches of -1 ... 1; NaN where empty."""
    edges = np.linspace(-1.0, 1.0, number + 1)
    middles = 0.5 * (edges[1:] + edges[:-1])
    levels = np.full((len(x), number), np.nan)
    for k in range(number):  # a loop over blocks, not over samples
        inside = (x >= edges[k]) & ((x < edges[k + 1]) | (k == number - 1)) & np.isfinite(y)
        columns = np.flatnonzero(inside.any(axis=0))
        if columns.size:
            part = slice(columns[0], columns[-1] + 1)
            levels[:, k] = row_median(np.where(inside[:, part], y[:, part], np.nan))
    return middles, levels


def _start(x: NDArray, y: NDArray) -> NDArray:
    """Return level and slope from the block medians."""
    middles, levels = _blocks(x, y, START_BLOCKS)
    i, j = np.triu_indices(START_BLOCKS, 1)
    slope = row_median((levels[:, j] - levels[:, i]) / (middles[j] - middles[i]))
    slope = np.where(np.isfinite(slope), slope, 0.0)
    level = row_median(levels - slope[:, None] * middles)
    return np.stack([np.where(np.isfinite(level), level, 0.0), slope], axis=1)


def _evaluate(coefficients: NDArray, x: NDArray) -> NDArray:
    result = coefficients[:, -1:] * np.ones_like(x)
    for k in range(coefficients.shape[1] - 2, -1, -1):
        result = result * x + coefficients[:, k : k + 1]
    return result


def _reweight(
    x: NDArray, y: NDArray, share: NDArray, coefficients: NDArray, weight: NDArray | None = None
) -> tuple[NDArray, NDArray]:
    """Refine polynomial coefficients by bisquare weights; return them and the last weights."""
    order = coefficients.shape[1]
    used = share > 0
    known = weight is not None
    current = np.where(used, 1.0, 0.0) if weight is None else weight
    scale, number = np.zeros(len(x)), np.maximum(used.sum(axis=1), 1)
    least = 1e-12 * np.abs(np.where(used, y, 0.0)).max(axis=1, initial=0.0) + 1e-300
    for round_number in range(ROUNDS):
        if not (known and round_number == 0):
            residual = np.where(used, y - _evaluate(coefficients, x), np.nan)
            if round_number < 3:
                typical = np.where(used, np.abs(residual), 0.0).sum(axis=1) / number
                # The mean deviation as a floor: only spikes are cut, so a little noise more does not move
                # the line, and a coarse quantiser that makes most residuals equal does no harm. The
                # factor makes it consistent for normal noise, sqrt(pi / 2).
                scale = np.maximum(row_spread(residual), np.sqrt(np.pi / 2) * typical)
                scale = np.maximum(scale, least)
            ratio = np.where(used, residual / (BISQUARE * scale[:, None]), 1.0)
            current = np.where(np.abs(ratio) < 1, (1 - ratio**2) ** 2, 0.0)
        weighted = current * share
        moments = _moments(weighted, x, 2 * order - 1)
        right = np.stack(_moments(weighted * y, x, order), axis=1)
        matrix = np.stack([np.stack(moments[k : k + order], axis=1) for k in range(order)], axis=1)
        trace = np.trace(matrix, axis1=1, axis2=2)[:, None, None]
        solvable = np.linalg.det(matrix / np.where(trace > 0, trace, 1.0)) > 1e-14
        identity = np.eye(order)
        solved = np.linalg.solve(np.where(solvable[:, None, None], matrix, identity), right[:, :, None])[:, :, 0]
        coefficients = np.where(solvable[:, None], solved, coefficients)
    return coefficients, current


def _moments(weight: NDArray, x: NDArray, number: int) -> list[NDArray]:
    """Return the sums of weight times the powers of x from 0 on, row by row."""
    sums = [weight.sum(axis=1)]
    for _ in range(1, number):
        weight = weight * x
        sums.append(weight.sum(axis=1))
    return sums


def _sensitivities(share: NDArray, x: NDArray) -> tuple[NDArray, NDArray, NDArray]:
    """Return the standard deviations of level, slope (line) and bow (parabola) for unit white noise."""
    moment = _moments(share, x, 5)
    matrix = np.stack([np.stack(moment[k : k + 3], axis=1) for k in range(3)], axis=1)
    good3 = np.linalg.det(matrix) > 1e-12 * np.maximum(moment[0], 1.0) ** 3
    inverse3 = np.linalg.inv(np.where(good3[:, None, None], matrix, np.eye(3)))
    line = matrix[:, :2, :2]
    good2 = np.linalg.det(line) > 1e-12 * np.maximum(moment[0], 1.0) ** 2
    inverse2 = np.linalg.inv(np.where(good2[:, None, None], line, np.eye(2)))
    return (
        np.where(good2, np.sqrt(np.abs(inverse2[:, 0, 0])), np.nan),
        np.where(good2, np.sqrt(np.abs(inverse2[:, 1, 1])), np.nan),
        np.where(good3, np.sqrt(np.abs(inverse3[:, 2, 2])), np.nan),
    )


def _largest_step(x: NDArray, residual: NDArray, sigma: NDArray) -> tuple[NDArray, NDArray]:
    """Return the largest difference between blocks two apart, and its standard uncertainty."""
    _, levels = _blocks(x, residual, STEP_BLOCKS)
    jump = levels[:, 2:] - levels[:, :-2]
    size = np.where(np.isfinite(jump), np.abs(jump), -1.0)
    best = np.argmax(size, axis=1)[:, None]
    step = np.take_along_axis(jump, best, axis=1)[:, 0]
    in_block = np.isfinite(residual).sum(axis=1) / STEP_BLOCKS
    # Variance of a median of normal noise is pi/2 that of the mean (Kendall and Stuart).
    return step, sigma * np.sqrt(np.pi / np.maximum(in_block, 1.0))
