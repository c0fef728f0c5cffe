"""Mains hum: one slow sine through the record, told from the settled stretches of all firings and taken out."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from sigkit.prepare.median import row_median

#: Frequencies looked at, hertz (EN 50160:2010, from memory: 50 Hz within a few per cent; 60 Hz elsewhere and on ships;
#: the margin about both is our choice).
LOWEST_HZ, HIGHEST_HZ = 45.0, 65.0
#: Length of the means compared, seconds, and fewest of them (our choice: a fortieth of a period).
BLOCK_S, FEWEST = 0.5e-3, 12
#: Firings within this time share one sine, seconds (our choice: mains keep their phase to a few degrees over it), and
#: as many of them as tell the frequency (our choice).
TOGETHER_S, MOST_WINDOWS = 2.0, 48
#: Share of the spread of the settled means that the sine must take away (our choice: a charge that leaves a lead over
#: 3 ms behind each firing passes for a sine of seven tenths, where firings come each second period).
LEAST_SHARE = 0.8
#: Means further than this many spreads from the sine are left out in the second fit (our choice).
CUT = 3.0


def find_hum(value: NDArray, calm: NDArray, first: NDArray, interval_s: float) -> float:
    """Return the frequency of hum in the settled stretches, 0 where there is none.

    Parameters
    ----------
    value : ndarray, shape (n, m)
    calm : ndarray of bool, shape (n, m)
        Settled stretches.
    first : ndarray of int, shape (n,)
        Sample of the record in column 0; the rows lie within `TOGETHER_S`.
    interval_s : float

    Returns
    -------
    float
        Hertz.

    Examples
    --------
    >>> first = np.arange(10) * 8000
    >>> time_s = (first[:, None] + np.arange(4000)) * 5e-6
    >>> calm = np.broadcast_to((np.arange(4000) < 1000) | (np.arange(4000) > 2500), time_s.shape)
    >>> round(find_hum(0.3 * np.sin(2 * np.pi * 50.0 * time_s), calm, first, 5e-6), 1)
    50.0
    """
    means, time_s, row = _means(value, calm, first, interval_s)
    if means.size < FEWEST or np.ptp(time_s) < 0.4 / HIGHEST_HZ:
        return 0.0
    # Fine enough that no line of a comb of firings is passed over.
    step_Hz = 0.125 / max(np.ptp(time_s), 1.0 / LOWEST_HZ)
    frequency = np.linspace(LOWEST_HZ, HIGHEST_HZ, max(3, round((HIGHEST_HZ - LOWEST_HZ) / step_Hz) + 1))
    centred = _centred(means, row)
    best = 0.0
    for _ in range(2):
        left = np.array([np.sum(_rest(centred, time_s, row, one)[0] ** 2) for one in frequency])
        best = float(frequency[left.argmin()])
        frequency = np.clip(best + (frequency[1] - frequency[0]) * np.linspace(-1.0, 1.0, 21), LOWEST_HZ, HIGHEST_HZ)
    # Something slower or faster; a window or two tell the frequency to some hertz only.
    if best in (LOWEST_HZ, HIGHEST_HZ) and np.ptp(time_s) > 4.0 / LOWEST_HZ:
        return 0.0
    fitted = _without_outliers(means, time_s, row, best)
    if fitted is None:
        return 0.0
    centred, rest, _ = fitted
    return best if _spread(rest) < (1.0 - LEAST_SHARE) * _spread(centred) else 0.0


def hum_amplitudes(
    value: NDArray, calm: NDArray, first: NDArray, interval_s: float, frequency_Hz: float
) -> NDArray[np.float64] | None:
    """Return amplitudes of cosine and sine, counted from the record's first sample; None from too few means.

    Parameters
    ----------
    value, calm, first, interval_s
        See `find_hum`; the rows share one sine.
    frequency_Hz : float

    Examples
    --------
    >>> time_s = np.arange(4000)[None, :] * 5e-6
    >>> calm = (time_s < 5e-3) | (time_s > 12e-3)
    >>> hum = np.sin(2 * np.pi * 50.0 * time_s + 0.5)
    >>> hum_amplitudes(hum + 2.0, calm, np.zeros(1, dtype=np.int64), 5e-6, 50.0).round(3).tolist()
    [0.479, 0.878]
    """
    fitted = _without_outliers(*_means(value, calm, first, interval_s), frequency_Hz)
    # The means show a little less than the whole sine.
    return None if fitted is None else np.asarray(fitted[2] / np.sinc(frequency_Hz * BLOCK_S))


def learn_hum(
    windows: Callable[[NDArray], tuple[NDArray, NDArray, NDArray]], start_s: NDArray, interval_s: float
) -> tuple[float, NDArray[np.float64]]:
    """Learn the hum of a channel: its frequency where firings are densest, its sine from all of each few seconds.

    Parameters
    ----------
    windows : callable
        From rows to their windows, settled stretches and first samples, see `find_hum`.
    start_s : ndarray, shape (n,)
        Time of each firing's window, ascending but for what windows overlap.
    interval_s : float

    Returns
    -------
    frequency_Hz : float
        0 where there is none.
    amplitudes : ndarray, shape (n, 2)
        Of cosine and sine at each firing.
    """
    none = np.zeros((start_s.size, 2))
    ordered = np.sort(start_s)
    count = np.searchsorted(ordered, ordered + TOGETHER_S) - np.arange(ordered.size)
    at = int(count.argmax())
    dense = np.arange(at, at + min(int(count[at]), MOST_WINDOWS))
    frequency = find_hum(*windows(dense), interval_s)
    if not frequency:
        return 0.0, none
    group = np.floor(start_s / TOGETHER_S).astype(np.int64)
    held: dict[int, NDArray] = {}
    for one in np.unique(group).tolist():
        found = hum_amplitudes(*windows(np.flatnonzero(group == one)), interval_s, frequency)
        if found is not None:
            held[one] = found
    if not held:
        return 0.0, none
    # A few seconds that show too little borrow the nearest ones' sine.
    known = np.array(sorted(held))
    place = np.clip(np.searchsorted(known, group), 1, max(known.size - 1, 1))
    below, above = known[place - 1], known[np.minimum(place, known.size - 1)]
    nearest = np.where(np.abs(group - below) <= np.abs(above - group), below, above)
    return frequency, np.array([held[one] for one in nearest.tolist()])


def hum_at(amplitudes: NDArray, frequency_Hz: float, time_s: NDArray) -> NDArray[np.float64]:
    """Return the hum of rows, shape (n, m), at times since the record's first sample, shape (n, m)."""
    angle = 2 * np.pi * frequency_Hz * time_s
    return np.asarray(amplitudes[:, :1] * np.cos(angle) + amplitudes[:, 1:] * np.sin(angle))


def _means(value: NDArray, calm: NDArray, first: NDArray, interval_s: float) -> tuple[NDArray, NDArray, NDArray]:
    """Return means of settled stretches, their times since the record's first sample, and their rows."""
    block = max(1, round(BLOCK_S / interval_s))
    whole = value.shape[1] // block
    shape = (len(value), whole, block)
    part = value[:, : whole * block].reshape(shape)
    used = (calm[:, : whole * block].reshape(shape) & np.isfinite(part)).all(axis=2)
    row, column = np.nonzero(used)
    time_s = (first[row] + column * block + 0.5 * (block - 1)) * interval_s
    return part[row, column].mean(axis=1), time_s, row


def _centred(values: NDArray, row: NDArray) -> NDArray[np.float64]:
    """Take each row's mean off."""
    return np.asarray(values - (np.bincount(row, weights=values) / np.maximum(np.bincount(row), 1))[row])


def _rest(centred: NDArray, time_s: NDArray, row: NDArray, frequency_Hz: float) -> tuple[NDArray, NDArray]:
    """Return what a sine shared by all rows, each with a level of its own, leaves; and its two amplitudes."""
    angle = 2 * np.pi * frequency_Hz * time_s
    waves = np.stack([_centred(np.cos(angle), row), _centred(np.sin(angle), row)])
    amplitude = np.linalg.lstsq(waves.T, centred, rcond=1e-9)[0]
    return centred - amplitude @ waves, amplitude


def _without_outliers(
    means: NDArray, time_s: NDArray, row: NDArray, frequency_Hz: float
) -> tuple[NDArray, NDArray, NDArray] | None:
    """Fit a sine twice, first to all means; return the second's means less their rows', what it leaves, amplitudes.

    None where too few are near it.
    """
    rest, _ = _rest(_centred(means, row), time_s, row, frequency_Hz)
    # A sine without noise leaves nothing.
    near = (np.abs(rest) < CUT * _spread(rest)) | (_spread(rest) == 0)
    if near.sum() < FEWEST:
        return None
    centred = _centred(means[near], row[near])
    return centred, *_rest(centred, time_s[near], row[near], frequency_Hz)


def _spread(values: NDArray) -> float:
    return float(1.4826 * row_median(np.abs(values)[None, :])[0]) if values.size else 0.0
