"""The droop of slow pickups from the dwell: how the induced voltage sinks while the coil charges.

The flux of a coil returns to nothing, so the voltage over a whole firing integrates to about zero and the tail
after the ring says little of a slow high-pass. Within the dwell it shows: the induced voltage sinks as
exp(-a t), a = resistance / inductance of the primary (elementary circuits), while a high-pass of rate g adds a
term of its own: v0 (a exp(-a t) - g exp(-g t)) / (a - g). Where a current limit ends the rise of the current,
nothing is induced any more: what is still recorded there is the droop alone, -g times the integral of the record.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

#: Rates looked at, 1/s: none, then time constants of 200 ms to 0.1 ms (our choice).
RATES_HZ = np.concatenate([[0.0], np.geomspace(5.0, 10000.0, 90)])
#: Share of pickups that pass zero frequency, before anything is known (our choice); the rest is spread evenly
#: over the logarithm of the time constant, fading below 10 ms where few are made.
FLAT_SHARE = 0.3
#: Stretch of the dwell used, as shares of it; the ring of switching-on is averaged over a block or more (our choice).
FIRST_SHARE, LAST_SHARE = 0.04, 0.97
BLOCKS = 32
#: What is induced behind a current limit, share of the height, as a standard uncertainty: the ring it sets off is
#: not averaged out over a few periods, and few limits are flat (our choice); fewest blocks that show it, the first,
#: in which the voltage falls, left out.
LIMITED_SHARE, FEWEST_LIMITED = 0.04, 3
#: What the exponential may be wrong by, share of the height: iron is not linear (our choice).
MISFIT_SHARE = 0.01
#: Sinking rates of the coil looked at, 1/s: resistance / inductance of primaries runs from 0.3 ohm / 8 mH to
#: 3 ohm / 0.5 mH (common practice, no source), with room to spare.
SINKING_HZ = np.geomspace(8.0, 6000.0, 140)
#: Where no droop is told, its uncertainty is widened by this (our figure: on 1314 leads of 240 simulated engines the
#: quantile alone covered 85 of 100 true rates, with this factor 95).
UNTOLD = 1.85
#: Rates of coil and pickup closer than this share are near (our choice: rounding of 1e-16 grows by its square).
NEAR_SHARE = 0.1
#: Usual sinking rate of a coil and its spread in natural logarithms (our choice: 2 ms, a factor of 2.5 either way).
USUAL_SINKING_HZ, USUAL_SPREAD = 500.0, 0.9


def prior_weight() -> NDArray[np.float64]:
    """Return the weight of each of `RATES_HZ` before anything is known; they add up to 1.

    Examples
    --------
    >>> round(float(prior_weight().sum()), 12)
    1.0
    """
    fade = np.minimum(1.0, 100.0 / RATES_HZ[1:])
    return np.concatenate([[FLAT_SHARE], (1.0 - FLAT_SHARE) * fade / fade.sum()])


def weigh_dwell_droop(
    value: NDArray, on: NDArray, off: NDArray, interval_s: float, noise: float
) -> NDArray[np.float64]:
    """Return how well each of `RATES_HZ` agrees with the dwells: minus twice the log-likelihood, best at 0.

    Parameters
    ----------
    value : ndarray, shape (n, m)
        Samples less the settled level before coil_on.
    on, off : ndarray, shape (n,)
        Columns of coil_on and coil_off; NaN where unknown.
    interval_s : float
    noise : float
        Standard deviation of a sample, its correlation included.

    Returns
    -------
    ndarray, shape (91,)
        Zeros where no dwell can be used.

    Examples
    --------
    >>> t = np.arange(3000) * 1e-6
    >>> y = -500.0 * (400 * np.exp(-400 * t) - 50 * np.exp(-50 * t)) / 350
    >>> cost = weigh_dwell_droop(y[None, :], np.array([0.0]), np.array([3000.0]), 1e-6, 1.0)
    >>> bool(abs(RATES_HZ[cost.argmin()] / 50 - 1) < 0.2)
    True
    """
    dwells = _usable_dwells(value, on, off, interval_s, noise)
    if not dwells:
        return np.zeros(RATES_HZ.size)
    fit = np.zeros((SINKING_HZ.size, RATES_HZ.size))
    limited = np.zeros(RATES_HZ.size)
    blocks = 0
    a, g = SINKING_HZ[:, None], RATES_HZ[None, :]
    apart = np.where(np.abs(a - g) < 1e-6 * a, 1e-6 * a, a - g)
    # Where the two rates are nearly alike their exponentials cancel: then the shape itself is formed.
    near_a, near_g = np.nonzero(np.abs(apart) < NEAR_SHARE * a)
    for t, mean, count, left, area in dwells:
        # All dwells of a coil miss the shape alike, so more of them do not average the misfit away.
        misfit = len(dwells) * (MISFIT_SHARE * np.abs(mean).max()) ** 2
        weight = 1.0 / np.sqrt(noise**2 / count + misfit + 1e-300)
        y = mean * weight
        # One coil has one sinking rate; only the height is each firing's own.
        sinks, droops = a * np.exp(-a * t) * weight, g.T * np.exp(-g.T * t) * weight
        along = ((sinks @ y)[:, None] - droops @ y) / apart
        size = ((sinks**2).sum(axis=1)[:, None] - 2.0 * sinks @ droops.T + (droops**2).sum(axis=1)) / apart**2
        shape = (sinks[near_a] - droops[near_g]) / apart[near_a, near_g, None]
        along[near_a, near_g], size[near_a, near_g] = shape @ y, (shape**2).sum(axis=1)
        fit += np.sum(y**2) - along**2 / np.maximum(size, 1e-300)
        blocks += t.size
        if np.isfinite(left + area):
            # Every dwell is limited alike, so this does not average out either.
            spread = len(dwells) * (LIMITED_SHARE * np.abs(mean).max()) ** 2 + noise**2
            limited += (left + RATES_HZ * area) ** 2 / spread
    # What the model leaves beyond the noise counts as if it were noise (JCGM 100:2008, H.3).
    fit /= max(float(fit.min()) / max(blocks - len(dwells) - 2, 1), 1.0)
    # Coil and pickup come into the shape alike: only what is usual tells them apart.
    cost = (fit + limited + (np.log(SINKING_HZ / USUAL_SINKING_HZ) / USUAL_SPREAD)[:, None] ** 2).min(axis=0)
    return cost - cost.min()


def _usable_dwells(
    value: NDArray, on: NDArray, off: NDArray, interval_s: float, noise: float
) -> list[tuple[NDArray, NDArray, NDArray, float, float]]:
    """Return what shows of each dwell.

    Time since coil_on, mean and number of samples of its blocks; behind a current limit, the level and the integral
    since coil_on up to the middle of what it was taken from (NaN without a limit).
    """
    dwells = []
    for row, begin, end in zip(value, on, off, strict=True):
        if not (np.isfinite(begin) and np.isfinite(end) and end - begin >= 1.2 * BLOCKS):
            continue
        edges = np.rint(begin + (end - begin) * np.linspace(FIRST_SHARE, LAST_SHARE, BLOCKS + 1)).astype(np.int64)
        if edges[0] < 0 or edges[-1] > row.size or not np.isfinite(row[edges[0] : edges[-1]]).all():
            continue
        count = np.diff(edges)
        mean = np.add.reduceat(row[edges[0] : edges[-1]], edges[:-1] - edges[0]) / count
        # A current limit lets the voltage collapse: only what comes before counts.
        level = np.abs(mean)
        jump = np.abs(np.diff(mean))
        sudden = (jump[1:] > 0.12 * level[0]) & (jump[1:] > 2.5 * jump[:-1])
        used = np.cumprod(np.concatenate([[True, True], ~sudden])).astype(bool)
        if used.sum() < BLOCKS // 2 or level[0] < 6 * noise:
            continue
        t = (0.5 * (edges[1:] + edges[:-1]) - 0.5 - begin)[used] * interval_s
        left, area = np.nan, np.nan
        limited = np.flatnonzero(~used)[1:]
        if limited.size >= FEWEST_LIMITED:
            left = float(np.average(mean[limited], weights=count[limited]))
            since = np.cumsum(row[max(int(np.rint(begin)), 0) : edges[-1]])
            middle = 0.5 * (edges[limited[0]] + edges[-1]) - max(np.rint(begin), 0)
            area = float(np.interp(middle, np.arange(1, since.size + 1), since)) * interval_s
        dwells.append((t, mean[used], count[used], left, area))
    return dwells


def settle_droop(cost: NDArray) -> tuple[float, float]:
    """Return droop rate and its standard uncertainty from the agreement of each rate and what is usual.

    Where the rates' joint weight keeps clear of zero, the rate is its mean and the uncertainty its standard
    deviation (JCGM 101:2008, 3.3 and 3.4). Elsewhere no droop is undone, and the uncertainty is the 95 %
    quantile of the rate over 1.96, widened by `UNTOLD`.

    Examples
    --------
    >>> rate, u = settle_droop((RATES_HZ - 50.0) ** 2 / 4.0)
    >>> bool(abs(rate - 50) < 2 and u < 4)
    True
    """
    weight = prior_weight() * np.exp(-0.5 * (cost - cost.min()))
    weight /= weight.sum()
    mean = float(np.sum(weight * RATES_HZ))
    spread = float(np.sqrt(np.sum(weight * (RATES_HZ - mean) ** 2)))
    nearest = min(int(np.abs(RATES_HZ - mean).argmin()), RATES_HZ.size - 2)
    spread = float(np.hypot(spread, (RATES_HZ[nearest + 1] - RATES_HZ[nearest]) / np.sqrt(12.0)))
    if mean > 2.0 * spread:
        return mean, spread
    return 0.0, UNTOLD * float(np.interp(0.95, np.cumsum(weight), RATES_HZ)) / 1.96
