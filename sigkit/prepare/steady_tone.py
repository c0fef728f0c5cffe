"""A steady tone (alternator ripple) in windows about firings: found by what is left when the firings are cut down."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from sigkit.prepare.block_means import block_means
from sigkit.prepare.median import row_median
from sigkit.prepare.spectral_peak import spectral_peak

#: Lowest and highest frequency looked for, hertz (our choice: an alternator of 12 to 16 poles, rectified by six pulses,
#: gives 36 to 48 waves a turn, and turns two to three times as fast as the engine).
LOWEST_HZ, HIGHEST_HZ = 800.0, 12e3
#: A running mean over this long, two periods of `LOWEST_HZ`, is taken off before the search: levels and drift.
SLOW_S = 2.5e-3
#: Rate to which windows are averaged down for the search, hertz (our choice).
THIN_HZ = 50e3
#: What stands out by so many robust standard deviations is no ripple (our choice).
CUT = 3.0
#: Share of the variance left that the tone must explain (our choice: less is no worse than noise).
LEAST_SHARE = 0.3
#: Fewest periods that a row must show (our choice).
FEWEST_PERIODS = 8.0


@dataclass(frozen=True, eq=False)
class SteadyTone:
    """A tone of one frequency with amplitude and phase of its own in each of n rows.

    Attributes
    ----------
    frequency_Hz : float
        0 where there is none.
    cosine, sine : ndarray, shape (n,)
        Amplitudes, the unit of the rows; the phase counts from the first column of each row.
    """

    frequency_Hz: float
    cosine: NDArray[np.float64]
    sine: NDArray[np.float64]

    def at(self, time_s: NDArray) -> NDArray[np.float64]:
        """Return the tone of each row, shape (n, k), at times since the first column, shape (k,) or (n, k)."""
        angle = 2 * np.pi * self.frequency_Hz * np.asarray(time_s)
        return np.asarray(self.cosine[:, None] * np.cos(angle) + self.sine[:, None] * np.sin(angle))


def find_tone(rows: NDArray, interval_s: float) -> SteadyTone:
    """Return the strongest steady tone that the rows share.

    Parameters
    ----------
    rows : ndarray, shape (n, m)
        NaN off the record.
    interval_s : float
        Time between columns, seconds.

    Examples
    --------
    >>> t = np.arange(4000) * 5e-6
    >>> rows = np.sin(2 * np.pi * 2850.0 * t)[None, :] + np.where((t > 8e-3) & (t < 8.2e-3), 9.0, 0.0)
    >>> tone = find_tone(rows, 5e-6)
    >>> round(tone.frequency_Hz, -1), round(float(np.hypot(tone.cosine, tone.sine)[0]), 1)
    (2850.0, 1.0)
    """
    n, m = rows.shape
    none = SteadyTone(0.0, np.zeros(n), np.zeros(n))
    factor = max(1, round(1.0 / (THIN_HZ * interval_s)))
    step_s, count = interval_s * factor, m // factor
    slow = max(3, round(SLOW_S / step_s)) | 1
    if count < 2 * slow:
        return none
    thin = block_means(rows, factor)
    quick, used = _quick(thin, slow)
    shown = used.any(axis=1)
    if not shown.any():
        return none
    if not shown.all():
        part = find_tone(rows[shown], interval_s)
        cosine, sine = np.zeros((2, n))
        cosine[shown], sine[shown] = part.cosine, part.sine
        return SteadyTone(part.frequency_Hz, cosine, sine)
    spread = _spread(quick, used)
    padded = 1 << int(np.ceil(np.log2(max(2 * count, 1.0 / (8.0 * step_s)))))
    power = _power(np.clip(quick, -CUT * spread, CUT * spread), padded)
    frequency = fft.rfftfreq(padded, step_s)
    allowed = np.flatnonzero((frequency >= LOWEST_HZ) & (frequency <= min(HIGHEST_HZ, 0.4 / step_s)))
    if allowed.size < 3:
        return none
    peak = int(allowed[power[allowed].argmax()])
    found_Hz = spectral_peak(power, peak) / padded / step_s
    # The running mean passes a share of the tone, which is missing from what is left.
    angle = np.pi * found_Hz * step_s
    kept = 1.0 - np.sin(slow * angle) / (slow * np.sin(angle))
    # So does the mean over the samples of a thinned column.
    kept *= np.sin(angle) / (factor * np.sin(angle / factor))
    # A thinned column stands in the middle of its samples.
    time_s = (np.arange(count) + 0.5) * step_s - 0.5 * interval_s
    wave = np.stack([np.cos(2 * np.pi * found_Hz * time_s), np.sin(2 * np.pi * found_Hz * time_s)]) * kept
    rests = used & (np.abs(quick) < CUT * spread)
    for _ in range(3):
        cosine, sine = _fit(quick, rests, wave, FEWEST_PERIODS / (step_s * found_Hz))
        left = quick - cosine[:, None] * wave[0] - sine[:, None] * wave[1]
        # Firings stand out of what the tone leaves; where they do, nothing is told.
        rests = used & (np.abs(left) < CUT * _spread(left, used))
    if not (cosine.any() or sine.any()):
        return none
    # A ring behind the firing is no steady tone: it must be there in both halves of the windows.
    for half in (slice(0, count // 2), slice(count // 2, count)):
        own = rests[:, half]
        before, after = float((quick[:, half][own] ** 2).sum()), float((left[:, half][own] ** 2).sum())
        if before > 0 and after > (1.0 - LEAST_SHARE) * before:
            return none
    return SteadyTone(found_Hz, cosine, sine)


def _spread(rows: NDArray, used: NDArray) -> NDArray[np.float64]:
    """Robust standard deviation of each row about zero, shape (n, 1); single precision sorts in half the time."""
    return 1.4826 * row_median(np.where(used, np.abs(rows), np.nan).astype(np.float32))[:, None]


def _power(rows: NDArray, padded: int) -> NDArray[np.float64]:
    """Return the summed power spectrum of rows padded to a length at least twice their own.

    It is the transform of their summed autocorrelation, so that only one transform has that length.
    """
    count = rows.shape[1]
    size = fft.next_fast_len(2 * count, real=True)
    lines = fft.rfft(rows.astype(np.float32), size, axis=1)
    short = np.einsum("ij,ij->j", lines.real, lines.real, dtype=np.float64)
    short += np.einsum("ij,ij->j", lines.imag, lines.imag, dtype=np.float64)
    correlation = fft.irfft(short, size)[:count]
    correlation[0] *= 0.5
    return np.maximum(2 * fft.rfft(correlation, padded).real, 0.0)


def _fit(quick: NDArray, rests: NDArray, wave: NDArray, fewest: float) -> tuple[NDArray, NDArray]:
    """Least squares of the two waves on the marked columns of each row; 0 where they are too few."""
    value, weight = np.where(rests, quick, 0.0), rests.astype(float)
    cc, cs, ss = weight @ wave[0] ** 2, weight @ (wave[0] * wave[1]), weight @ wave[1] ** 2
    c, s = value @ wave[0], value @ wave[1]
    size = cc * ss - cs**2
    enough = (rests.sum(axis=1) > fewest) & (size > 1e-3 * np.maximum(cc * ss, 1e-300))
    safe = np.where(enough, size, 1.0)
    return np.where(enough, (ss * c - cs * s) / safe, 0.0), np.where(enough, (cc * s - cs * c) / safe, 0.0)


def _quick(thin: NDArray, slow: int) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Take a running mean off; what it cannot span is 0 and not used."""
    good = np.isfinite(thin)
    sums = np.pad(np.cumsum(np.where(good, thin, 0.0), axis=1), ((0, 0), (1, 0)))
    counts = np.pad(np.cumsum(good, axis=1), ((0, 0), (1, 0)))
    inside = slow // 2
    total, whole = sums[:, slow:] - sums[:, :-slow], counts[:, slow:] - counts[:, :-slow] == slow
    used = np.zeros(thin.shape, dtype=bool)
    used[:, inside : thin.shape[1] - inside] = whole
    quick = np.zeros(thin.shape)
    middle = thin[:, inside : thin.shape[1] - inside]
    quick[:, inside : thin.shape[1] - inside] = np.where(whole, middle - total / slow, 0.0)
    return quick, used
