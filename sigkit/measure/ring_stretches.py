"""Damped cosines on stretches of rings that compete: which begins late enough, on means over a share of a cycle.

A mean over neighbouring samples keeps frequency and decay of a damped cosine exactly; its amplitude and phase change
by a factor that both tell (a geometric series). What it costs is the noise that the mean does not take out as well as
a fit of all samples would: with 12 means a cycle 2 % of the variance, (pi / 12)^2 / 3.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sigkit.measure.damped_cosines import DampedCosines, fit_damped_cosines

#: Cycles left out at the beginning in the fits that compete, and cycles a fit looks at (our choice: the switch's
#: reverse diode flattens the first trough; at a damping ratio of 0.05 a fiftieth of the ring is left after twelve
#: cycles).
STARTS, SPAN_CYCLES = (0.0, 0.85, 1.85), 12.0
#: Means a cycle, about, fewest means of a stretch, and fewest samples of one (our choice).
MEANS_A_CYCLE, FEWEST_MEANS, FEWEST = 12, 48, 10
#: Stretches up to this many times as long are fitted with the shortest, of together so many means (our choice: small
#: groups cost more in calls than they save in memory).
LONGER, FIT_SAMPLES = 1.3, 120_000
#: A fit's frequency is that of the start within this factor (our choice).
SAME_RING = 2.5
#: Damping ratios of rings: the least that is reckoned with when a later stretch is judged hopeless, and the most with
#: which a fit is trusted to judge (our choice: a misfit takes the ring for one that dies sooner).
LEAST_DAMPING, MOST_DAMPING = 0.02, 0.3


@dataclass(frozen=True, eq=False)
class RingStretches:
    """The best fit of each of n rows.

    Attributes
    ----------
    parameters, covariance : ndarray, shape (n, 6) and (n, 6, 6)
        As in `sigkit.measure.damped_cosines.DampedCosines`, time counted from column 0; NaN and inf without a fit.
    begin, end : ndarray of int, shape (n,)
        Columns of the stretch; empty without a fit.
    """

    parameters: NDArray[np.float64]
    covariance: NDArray[np.float64]
    begin: NDArray[np.int64]
    end: NDArray[np.int64]


def fit_stretches(y: NDArray, interval_s: float, w: NDArray, least: NDArray) -> RingStretches:
    """Fit stretches that begin later and later; the one that knows the frequency best, misfit included, counts.

    A later stretch holds less of the ring, the amplitude down by exp(-decay x time), so its frequency has at least
    the variance that noise alone would give the earlier one, times exp(2 x decay x time). Where the earlier fit is
    better than that, the decay taken low, the later is left out; and the last is, where the second was no better than
    the first.

    Parameters
    ----------
    y : ndarray, shape (n, m)
        NaN marks what is not used.
    interval_s : float
    w : ndarray, shape (n,)
        Angular frequency to start from, 1/s.
    least : ndarray, shape (n,)
        Variance of a sample from the instrument's noise; its correlation included.

    Returns
    -------
    RingStretches
    """
    n, m = y.shape
    period = np.clip(2 * np.pi / w / interval_s, 1.0, m)
    known = np.concatenate([np.zeros((n, 1), dtype=np.int64), np.cumsum(np.isfinite(y), axis=1)], axis=1)
    parameters, covariance = np.full((n, 6), np.nan), np.full((n, 6, 6), np.inf)
    first, last = np.zeros(n, dtype=np.int64), np.zeros(n, dtype=np.int64)
    raised = np.full(n, np.inf)
    for number, skip in enumerate(STARTS):
        begin = np.minimum(np.ceil(skip * period), m).astype(np.int64)
        end = np.minimum(np.floor((skip + SPAN_CYCLES) * period) + 1, m).astype(np.int64)
        later_s = (begin - first) * interval_s
        told = np.isfinite(parameters[:, 3])
        damping = parameters[:, 4] / parameters[:, 3]
        surely = np.clip(damping, 0.0, LEAST_DAMPING) * parameters[:, 3]
        hopeful = ~told | (damping > MOST_DAMPING) | (raised > np.exp(2 * surely * later_s))
        # Where leaving out a cycle did not help, leaving out another does not.
        hopeful &= ~told | (number < 2) | (first > 0)
        each = np.arange(n)
        count = known[each, end] - known[each, begin]
        rows = np.flatnonzero(hopeful & (count >= FEWEST))
        if rows.size == 0:
            continue
        length = end[rows] - begin[rows]
        factor = np.clip(np.rint(period[rows] / MEANS_A_CYCLE), 1, np.maximum(count[rows] // FEWEST_MEANS, 1))
        fit = _fit_rows(
            y[rows], begin[rows], length, factor.astype(np.int64), interval_s, w[rows], least[rows],
        )
        frequency, decay = fit.parameters[:, 3], fit.parameters[:, 4]
        sane = np.isfinite(fit.parameters).all(axis=1) & (frequency > 0)
        sane &= np.abs(np.log(np.where(frequency > 0, frequency, 1.0) / w[rows])) < np.log(SAME_RING)
        sane &= (skip == 0.0) | (decay > 0)
        better = sane & ((fit.covariance[:, 3, 3] < covariance[rows, 3, 3]) | ~told[rows])
        own = rows[better]
        parameters[own], covariance[own], raised[own] = (
            fit.parameters[better], fit.covariance[better], fit.raised[better],
        )
        first[own], last[own] = begin[own], end[own]
    return RingStretches(parameters, covariance, first, last)


def _fit_rows(
    y: NDArray, begin: NDArray, length: NDArray, factor: NDArray, interval_s: float, w: NDArray, least: NDArray
) -> DampedCosines:
    """Fit one stretch of each row; stretches of about as many means go together."""
    n = len(y)
    parameters, covariance, raised = np.full((n, 6), np.nan), np.full((n, 6, 6), np.inf), np.full(n, np.inf)
    count = length // factor
    order = np.argsort(count, kind="stable")
    at = 0
    while at < n:
        most = LONGER * count[order[at]]
        stop = at + int(np.searchsorted(count[order[at:]], most, side="right"))
        some = order[at : min(stop, at + max(1, int(FIT_SAMPLES // most)))]
        means = _means(y[some], begin[some], count[some], factor[some])
        fit = fit_damped_cosines(means, factor[some] * interval_s, w[some], least[some] / factor[some])
        fit = _of_samples(fit, begin[some] * interval_s, factor[some], interval_s)
        parameters[some], covariance[some], raised[some] = fit.parameters, fit.covariance, fit.raised
        at += some.size
    return DampedCosines(parameters, covariance, raised)


def _means(y: NDArray, begin: NDArray, count: NDArray, factor: NDArray) -> NDArray[np.float64]:
    """Return means over ``factor`` columns each, ``count`` of them from ``begin`` on; NaN pads and spreads."""
    result = np.full((len(y), int(count.max())), np.nan)
    column = np.arange(result.shape[1])
    for size in np.unique(factor):
        own = np.flatnonzero(factor == size)
        # Places behind the stretch are read and thrown away.
        place = np.minimum(begin[own, None] + size * column, y.shape[1] - size)
        total = y[own[:, None], place]
        for k in range(1, size):
            total += y[own[:, None], place + k]
        result[own] = np.where(column < count[own, None], total / size, np.nan)
    return result


def _of_samples(fit: DampedCosines, begin_s: NDArray, factor: NDArray, interval_s: float) -> DampedCosines:
    """Return a fit of means as one of the samples, time counted from column 0 instead of ``begin_s``."""
    p = fit.parameters
    with np.errstate(all="ignore"):
        rate = (-p[:, 4] + 1j * p[:, 3])[:, None]
        column = np.arange(int(factor.max()))
        wave = np.where(column < factor[:, None], np.exp(rate * column * interval_s), 0.0) / factor[:, None]
        gain, slope = wave.sum(axis=1), (wave * column * interval_s).sum(axis=1)
        turn = np.exp(-rate[:, 0] * begin_s) / gain
        own = (p[:, 0] - 1j * p[:, 1]) * turn
        change = own * (-begin_s - slope / gain)
        middle_ms = 1e3 * (begin_s + 0.5 * (factor - 1) * interval_s)
        moved = p.copy()
        moved[:, 0], moved[:, 1] = own.real, -own.imag
        moved[:, 2] -= middle_ms * p[:, 5]
        # How the parameters of the samples change with those of the means.
        by = np.broadcast_to(np.eye(6), (len(p), 6, 6)).copy()
        for k, complex_change in enumerate((turn, -1j * turn, None, 1j * change, -change)):
            if complex_change is not None:
                by[:, 0, k], by[:, 1, k] = complex_change.real, -complex_change.imag
        by[:, 2, 5] = -middle_ms
        covariance = by @ fit.covariance @ np.swapaxes(by, 1, 2)
    covariance = np.where(np.isfinite(fit.covariance), covariance, np.inf)
    return DampedCosines(moved, covariance, fit.raised)
