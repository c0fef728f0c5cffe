"""Mains hum: one slow sine through the record, told from the settled stretches of all firings and taken out."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sigkit.prepare.median import row_median

#: Frequencies looked at, hertz (EN 50160:2010, from memory: 50 Hz within a few per cent; 60 Hz elsewhere and on ships;
#: the margin about both is our choice).
LOWEST_HZ, HIGHEST_HZ = 45.0, 65.0
#: Length of the means compared, seconds, and fewest of them (our choice: a fortieth of a period).
BLOCK_S, FEWEST = 0.5e-3, 12
#: Firings within this time share one sine, seconds (our choice: mains keep their phase to a few degrees over it).
TOGETHER_S = 2.0
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
        Sample of the record in column 0.
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
    # Rows far apart tell the frequency no better where the phase wanders.
    near = time_s < time_s.min(initial=np.inf) + TOGETHER_S
    means, time_s, row = means[near], time_s[near], row[near]
    if means.size < FEWEST or np.ptp(time_s) < 0.4 / HIGHEST_HZ:
        return 0.0
    step_Hz = 0.25 / max(np.ptp(time_s), 1.0 / LOWEST_HZ)
    frequency = np.linspace(LOWEST_HZ, HIGHEST_HZ, max(3, round((HIGHEST_HZ - LOWEST_HZ) / step_Hz) + 1))
    centred = _centred(means[None, :], row)[0]
    best = 0.0
    for _ in range(2):
        left = np.array([np.sum(_rest(centred, time_s, row, one)[0] ** 2) for one in frequency])
        best = float(frequency[left.argmin()])
        frequency = best + (frequency[1] - frequency[0]) * np.linspace(-1.0, 1.0, 21)
    rest, _ = _rest(centred, time_s, row, best)
    used = np.abs(rest) < CUT * _spread(rest)
    if used.sum() < FEWEST:
        return 0.0
    centred = _centred(means[used][None, :], row[used])[0]
    rest, _ = _rest(centred, time_s[used], row[used], best)
    return best if _spread(rest) < (1.0 - LEAST_SHARE) * _spread(centred) else 0.0


def remove_hum(
    value: NDArray, calm: NDArray, first: NDArray, interval_s: float, frequency_Hz: float
) -> NDArray[np.float64]:
    """Take the hum out of whole windows; where the settled stretches are too few, nothing.

    Parameters
    ----------
    value, calm, first, interval_s
        See `find_hum`.
    frequency_Hz : float

    Returns
    -------
    ndarray, shape (n, m)

    Examples
    --------
    >>> time_s = np.arange(4000)[None, :] * 5e-6
    >>> calm = (time_s < 5e-3) | (time_s > 12e-3)
    >>> hum = np.sin(2 * np.pi * 50.0 * time_s)
    >>> left = remove_hum(hum + 2.0, calm, np.zeros(1, dtype=np.int64), 5e-6, 50.0)
    >>> round(float(np.ptp(left)), 6)
    0.0
    """
    means, time_s, row = _means(value, calm, first, interval_s)
    result = value.copy()
    group = np.floor(first * interval_s / TOGETHER_S).astype(np.int64)
    for one in np.unique(group[row]):
        own = group[row] == one
        if own.sum() < FEWEST:
            continue
        kept = np.flatnonzero(own)
        for _ in range(2):
            centred = _centred(means[kept][None, :], row[kept])[0]
            rest, wave = _rest(centred, time_s[kept], row[kept], frequency_Hz)
            kept = kept[np.abs(rest) < CUT * max(_spread(rest), 1e-300)] if rest.any() else kept
            if kept.size < FEWEST:
                break
        else:
            rows = np.flatnonzero(group == one)
            # The means show a little less than the whole sine.
            wave = wave / np.sinc(frequency_Hz * BLOCK_S)
            at = 2 * np.pi * frequency_Hz * (first[rows][:, None] + np.arange(value.shape[1])) * interval_s
            result[rows] -= wave[0] * np.cos(at) + wave[1] * np.sin(at)
    return result


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
    """Take each row's mean off, shape (k, n)."""
    _, own, count = np.unique(row, return_inverse=True, return_counts=True)
    sums = np.stack([np.bincount(own, weights=one, minlength=count.size) for one in values])
    return np.asarray(values - (sums / count)[:, own])


def _rest(centred: NDArray, time_s: NDArray, row: NDArray, frequency_Hz: float) -> tuple[NDArray, NDArray]:
    """Return what a sine shared by all rows, each with a level of its own, leaves; and its two amplitudes."""
    angle = 2 * np.pi * frequency_Hz * time_s
    waves = _centred(np.stack([np.cos(angle), np.sin(angle)]), row)
    amplitude = np.linalg.lstsq(waves.T, centred, rcond=1e-9)[0]
    return centred - amplitude @ waves, amplitude


def _spread(values: NDArray) -> float:
    return float(1.4826 * row_median(np.abs(values)[None, :])[0]) if values.size else 0.0
