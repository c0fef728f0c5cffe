"""Damped oscillations, many at once: frequency, damping ratio, cycles, each with its uncertainty."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from sigkit.measure.damped_cosines import damped_parts
from sigkit.measure.ring_stretches import fit_stretches
from sigkit.prepare.block_means import block_means
from sigkit.prepare.median import row_median
from sigkit.prepare.row_parts import row_parts

#: Highest ring frequency looked for, Hz (our choice: rings are at 3-20 kHz by common practice, shorted
#: windings and wound leads somewhat higher).
HIGHEST_HZ = 60e3
#: Peaks count above this share of the first (design section 3), and noise hides what is below this many
#: standard uncertainties of a peak (our choice).
PEAK_SHARE = 0.05
NOISE_FACTOR = 3.0
LONGEST_ROW = 700
MOST_CYCLES = 80


@dataclass(frozen=True, eq=False)
class RingFit:
    """Fits of n rings, v = level + amplitude exp(-a t) cos(w t - phase). Arrays have shape (n,).

    Attributes
    ----------
    ok : bool
        False where no oscillation was found; the rest is NaN there.
    frequency_Hz, frequency_u_Hz : w / 2 pi, damped.
    damping_ratio, damping_ratio_u : a / sqrt(a^2 + w^2), which is what the logarithmic decrement gives.
    amplitude, amplitude_u, phase, level : at time 0 of the rows; unit of the samples, rad.
    cycles, cycles_lo, cycles_hi : positive peaks seen above 5 % of the first.
    hidden_cycles : peaks above 5 % that the decay predicts and the noise hides.
    cut : bool
        True where the row ends before the count does.
    first_peak_s : time of the first positive peak.
    residual : rms of the samples about the fit.
    explained : share of the variance over the first three cycles that the fit explains.
    """

    ok: NDArray[np.bool_]
    frequency_Hz: NDArray[np.float64]
    frequency_u_Hz: NDArray[np.float64]
    damping_ratio: NDArray[np.float64]
    damping_ratio_u: NDArray[np.float64]
    amplitude: NDArray[np.float64]
    amplitude_u: NDArray[np.float64]
    phase: NDArray[np.float64]
    level: NDArray[np.float64]
    cycles: NDArray[np.float64]
    cycles_lo: NDArray[np.float64]
    cycles_hi: NDArray[np.float64]
    hidden_cycles: NDArray[np.float64]
    cut: NDArray[np.bool_]
    first_peak_s: NDArray[np.float64]
    residual: NDArray[np.float64]
    explained: NDArray[np.float64]


def fit_ring(
    value: NDArray,
    interval_s: float,
    noise: NDArray | float = 0.0,
    noise_correlation: NDArray | float = 1.0,
) -> RingFit:
    """Fit a damped cosine and a constant level to each row.

    The start comes from the largest peak of the spectrum (weighted by frequency, so that a slow tail
    does not win) and the best of a few damping ratios; Levenberg-Marquardt steps on all parameters, a drift
    of the level among them, follow, on means over a share of a cycle (`sigkit.measure.ring_stretches`). Uncertainties
    are those of non-linear least squares (JCGM 100:2008, 5.1 with the covariance of H.3): from the residuals and their
    correlation or ``noise``, whichever is larger. Fits that leave out the first cycle or two compete where they can
    win, as the switch's reverse diode and short flashes roughen the beginning. Each peak is then measured on the
    samples by itself (projection on the fitted cosine over half a cycle), so the count does not lean on the decay being
    exponential.

    Parameters
    ----------
    value : ndarray of float, shape (n, m)
        Samples from the beginning of the ring on, turned so that the burn is positive; NaN pads.
    interval_s : float
        Sample interval, seconds.
    noise : float or ndarray, shape (n,)
        Standard deviation of the instrument's noise, unit of ``value``.
    noise_correlation : float or ndarray, shape (n,)
        Factor on the variance of a mean for noise that is not white.

    Returns
    -------
    RingFit

    Examples
    --------
    >>> t = np.arange(600) * 2e-6
    >>> y = 900.0 * np.exp(-3000.0 * t) * np.cos(2 * np.pi * 8000.0 * t - 0.3)
    >>> fit = fit_ring(y[None, :], 2e-6)
    >>> round(float(fit.frequency_Hz[0]), 3), float(fit.cycles[0])
    (8000.0, 8.0)
    """
    value = np.asarray(value, dtype=float)
    n, _ = value.shape
    noise = np.broadcast_to(np.asarray(noise, dtype=float), (n,)).copy()
    correlation = np.broadcast_to(np.asarray(noise_correlation, dtype=float), (n,))
    rate = 1.0 / interval_s
    y, dt, samples_each = _thin(value, interval_s)
    used = np.isfinite(y)
    count = used.sum(axis=1)
    y0 = np.where(used, y, 0.0)
    enough = count >= 8
    scale = np.max(np.abs(y0), axis=1, initial=0.0)
    enough &= scale > 0
    scale = np.where(scale > 0, scale, 1.0)
    t = np.arange(y.shape[1]) * dt
    with np.errstate(all="ignore"):
        least = (noise / scale) ** 2 / samples_each * correlation
        unit_y = np.where(used, y / scale[:, None], np.nan)
        start_w = _spectral_peak(unit_y, used, dt, rate)
        best = fit_stretches(unit_y, dt, start_w, least)
        parameters, covariance = best.parameters, best.covariance
        column = np.arange(y.shape[1])
        window = used & (column >= best.begin[:, None]) & (column < best.end[:, None])
        a, b, level, w, decay = (parameters[:, k] for k in range(5))
        cosine, sine, rest = damped_parts(parameters, t, window)
        oscillation = a[:, None] * cosine + b[:, None] * sine
        about = np.where(window, unit_y - oscillation - rest, 0.0)
        residual = np.sqrt(np.sum(about**2, axis=1) / np.maximum(window.sum(axis=1) - 6, 1)) * scale
        frequency = w / (2 * np.pi)
        frequency_u = np.sqrt(covariance[:, 3, 3]) / (2 * np.pi)
        natural = np.hypot(decay, w)
        damping = decay / natural
        slope_w, slope_d = -decay * w / natural**3, w**2 / natural**3
        damping_u = np.sqrt(
            slope_w**2 * covariance[:, 3, 3] + slope_d**2 * covariance[:, 4, 4]
            + 2 * slope_w * slope_d * covariance[:, 3, 4]
        )
        amplitude = np.hypot(a, b)
        amplitude_u = np.sqrt((a**2 * covariance[:, 0, 0] + b**2 * covariance[:, 1, 1]) / amplitude**2)
        phase = np.arctan2(b, a)
        explained = _explained(unit_y, window, t, parameters, oscillation)
        ok = (
            enough & np.isfinite(parameters).all(axis=1) & (frequency > 0) & (decay > -0.01 * w) & (damping < 0.7)
            & (amplitude > 3 * amplitude_u) & (explained > 0.5)
            & (frequency * count * dt >= 0.75) & (frequency * dt < 0.5) & (frequency_u < 0.2 * frequency)
        )
        counts = _count_peaks(value, interval_s, parameters, scale, np.maximum(noise, 1e-9 * scale), correlation, ok)
    blank = np.where(ok, 0.0, np.nan)
    return RingFit(
        ok=ok, frequency_Hz=frequency + blank, frequency_u_Hz=frequency_u + blank,
        damping_ratio=damping + blank, damping_ratio_u=damping_u + blank,
        amplitude=amplitude * scale + blank, amplitude_u=amplitude_u * scale + blank, phase=phase + blank,
        level=level * scale + blank, residual=residual + blank, explained=explained + blank, **counts,
    )


def _thin(value: NDArray, interval_s: float) -> tuple[NDArray, float, int]:
    """Average neighbouring samples where rows are long against the fastest ring."""
    m = value.shape[1]
    factor = max(1, min(m // LONGEST_ROW, int(1.0 / (4 * HIGHEST_HZ * interval_s)) or 1))
    if factor == 1:
        return value, interval_s, 1
    return block_means(value, factor), interval_s * factor, factor


def _spectral_peak(y: NDArray, used: NDArray, dt: float, rate: float) -> NDArray[np.float64]:
    """Return the angular frequency of the largest peak of each row's spectrum, weighted by frequency."""
    m = y.shape[1]
    tail = np.where(used & (np.cumsum(used, axis=1) > 0.75 * used.sum(axis=1)[:, None]), y, np.nan)
    level = np.nan_to_num(row_median(tail))
    # Single precision takes half the time, and finds the same line.
    centred = np.where(used, y - level[:, None], 0.0).astype(np.float32)
    length = 1 << int(np.ceil(np.log2(max(4 * m, 16))))
    frequency = fft.rfftfreq(length, dt)
    below = int(np.searchsorted(frequency, min(HIGHEST_HZ, 0.48 / dt, 0.48 * rate)))
    frequency = frequency[: max(below, 1)]
    least = 0.75 / (np.maximum(used.sum(axis=1), 1) * dt)
    best = np.zeros(len(y))
    for part in row_parts(len(y), length):
        lines = fft.rfft(centred[part], length, axis=1)[:, : frequency.size]
        score = (lines.real**2 + lines.imag**2) * frequency
        best[part] = frequency[np.where(frequency >= least[part, None], score, -1.0).argmax(axis=1)]
    return 2 * np.pi * np.maximum(best, 1e-3 / dt)


def _explained(y: NDArray, used: NDArray, t: NDArray, p: NDArray, oscillation: NDArray) -> NDArray:
    """Return the share of the variance about the level that the fit explains over the first three cycles."""
    began = np.where(used.any(axis=1), t[np.argmax(used, axis=1)], 0.0)[:, None]
    early = used & (t <= began + 3 * 2 * np.pi / p[:, 3:4])
    about = np.where(early, y - p[:, 2:3], 0.0)
    total = np.sum(about**2, axis=1)
    return 1.0 - np.sum(np.where(early, about - oscillation, 0.0) ** 2, axis=1) / np.where(total > 0, total, 1.0)


def _count_peaks(
    value: NDArray, interval_s: float, p: NDArray, scale: NDArray, noise: NDArray, correlation: NDArray, ok: NDArray
) -> dict[str, NDArray]:
    """Measure every positive peak on the samples and count those above 5 % of the first."""
    n, m = value.shape
    a, b, level, w, decay = (np.where(ok, p[:, k], 0.0) for k in range(5))
    safe_w = np.where(ok, w, 2 * np.pi / (m * interval_s))
    decay = np.where(ok, decay, 0.0)
    phase = np.arctan2(b, a)
    period = 2 * np.pi / safe_w
    first = (phase - np.arctan(decay / safe_w)) / safe_w
    first = np.mod(first + 0.1 * period, period) - 0.1 * period  # a row may begin right at its first peak
    # Peaks beyond the end of every row, but for one, need not be looked at.
    furthest = np.ceil(np.max((m * interval_s - first) / period, initial=0.0) + 0.25) + 2
    number = np.arange(int(np.clip(furthest, 1, MOST_CYCLES)))
    peak_s = first[:, None] + period[:, None] * number
    offset = np.linspace(-0.25, 0.25, 33)[None, None, :] * period[:, None, None]
    moment = peak_s[:, :, None] + offset
    place = np.rint(moment / interval_s)
    inside = (place >= 0) & (place < m)
    place = np.clip(place, 0, m - 1).astype(np.int64)
    sample = value[np.arange(n)[:, None, None], place]
    inside &= np.isfinite(sample)
    angle = safe_w[:, None, None] * (place * interval_s - peak_s[:, :, None])
    tilt = np.arctan(decay / safe_w)[:, None, None]
    shape = np.exp(-angle / safe_w[:, None, None] * decay[:, None, None]) * np.cos(angle - tilt) / np.cos(tilt)
    shape = np.where(inside, shape, 0.0)
    about = np.where(inside, sample - (level * scale)[:, None, None], 0.0)
    power = np.sum(shape**2, axis=2)
    height = np.sum(shape * about, axis=2) / np.where(power > 0, power, 1.0)
    # The 33 places may fall on fewer samples than that where the rate is low.
    distinct = np.minimum(1.0, 0.5 * period / interval_s / 33.0)
    height_u = (noise * np.sqrt(correlation / distinct))[:, None] / np.sqrt(np.where(power > 0, power, np.inf))
    recorded = (inside.sum(axis=2) >= 12) & (number < MOST_CYCLES - 1)
    top, top_u = height[:, 0], height_u[:, 0]
    hidden_below = NOISE_FACTOR * height_u
    seen = _run(recorded & (height > np.maximum(PEAK_SHARE * top[:, None], hidden_below)))
    low = _run(recorded & (height - 2 * height_u > np.maximum(PEAK_SHARE * (top + 2 * top_u)[:, None], hidden_below)))
    high = _run(recorded & (height + 2 * height_u > PEAK_SHARE * (top - 2 * top_u)[:, None]))
    decrement = 2 * np.pi * np.maximum(decay, 1e-9 * safe_w) / safe_w
    predicted = np.minimum(1 + np.floor(np.log(1 / PEAK_SHARE) / decrement), 10_000.0)
    at = np.minimum(seen, MOST_CYCLES - 1)[:, None]
    cut = ~np.take_along_axis(recorded, at, 1)[:, 0]
    by_noise = ~cut & (np.take_along_axis(hidden_below, at, 1)[:, 0] > PEAK_SHARE * top)
    hidden = np.where(by_noise, np.maximum(predicted - seen, 0), 0.0)
    blank = np.where(ok, 0.0, np.nan)
    return {
        "cycles": seen + blank, "cycles_lo": np.minimum(low, seen) + blank,
        "cycles_hi": np.maximum(np.maximum(high, seen), seen + hidden) + blank,
        "hidden_cycles": hidden + blank, "cut": cut & ok, "first_peak_s": first + blank,
    }


def _run(flags: NDArray) -> NDArray:
    """Return how many leading entries of each row are true."""
    return np.where(flags.all(axis=1), flags.shape[1], np.argmin(flags, axis=1))
