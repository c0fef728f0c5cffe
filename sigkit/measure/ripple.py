"""Alternator ripple: one steady oscillation on the whole record, told from the settled stretches and taken out."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

#: Frequencies looked at, hertz (our choice: an alternator of 12 to 16 poles rectified by six pulses gives 36 to 48
#: waves a turn, and it turns two to three times as fast as the engine).
LOWEST_HZ, HIGHEST_HZ = 400.0, 12e3
#: Rate to which settled stretches are averaged down, hertz, and most rows looked at (our choice).
THIN_HZ, MOST_ROWS = 50e3, 12
#: Share of the variance of the settled stretches one oscillation must hold, and fewest samples (our choice).
LEAST_SHARE, FEWEST = 0.4, 60


def _centred(rows: NDArray, settled: NDArray) -> NDArray[np.float64]:
    """Take each row's mean over its settled samples out; 0 elsewhere."""
    used = settled & np.isfinite(rows)
    count = np.maximum(used.sum(axis=1), 1)[:, None]
    mean = np.where(used, rows, 0.0).sum(axis=1)[:, None] / count
    return np.where(used, rows - mean, 0.0)


def find_ripple(rows: NDArray, settled: NDArray, interval_s: float) -> float:
    """Return the frequency of a steady oscillation in the settled stretches, 0 where there is none.

    Parameters
    ----------
    rows : ndarray, shape (n, m)
    settled : ndarray of bool, shape (n, m)
    interval_s : float

    Returns
    -------
    float
        Hertz.

    Examples
    --------
    >>> t = np.arange(8000) * 5e-6
    >>> settled = (t < 5e-3) | (t > 20e-3)
    >>> round(find_ripple(np.sin(2 * np.pi * 2850.0 * t)[None, :], settled[None, :], 5e-6))
    2850
    """
    rows, settled = rows[:MOST_ROWS], settled[:MOST_ROWS]
    factor = max(1, round(1.0 / (THIN_HZ * interval_s)))
    whole = rows.shape[1] // factor
    if whole < FEWEST:
        return 0.0
    shape = (len(rows), whole, factor)
    thin = rows[:, : whole * factor].reshape(shape).mean(axis=2)
    used = settled[:, : whole * factor].reshape(shape).all(axis=2) & np.isfinite(thin)
    keep = used.sum(axis=1) >= FEWEST
    if not keep.any():
        return 0.0
    thin, used = _centred(thin[keep], used[keep]), used[keep]
    step_s = interval_s * factor
    length = 1 << int(np.ceil(np.log2(max(2 * whole, 1.0 / (4.0 * step_s)))))
    power = np.sum(np.abs(np.fft.rfft(thin, length, axis=1)) ** 2, axis=0)
    frequency = np.fft.rfftfreq(length, step_s)
    allowed = (frequency >= LOWEST_HZ) & (frequency <= min(HIGHEST_HZ, 0.4 / step_s))
    if not allowed.any():
        return 0.0
    best = float(frequency[np.argmax(np.where(allowed, power, -1.0))])
    left = remove_ripple(thin, used, step_s, best)
    before, after = np.sum(thin[used] ** 2), np.sum(_centred(left, used)[used] ** 2)
    return best if before > 0 and after < (1.0 - LEAST_SHARE) * before else 0.0


def remove_ripple(rows: NDArray, settled: NDArray, interval_s: float, frequency_Hz: float) -> NDArray[np.float64]:
    """Fit the oscillation to the settled samples of each row, phase and size its own, and take it out of the row.

    Examples
    --------
    >>> t = np.arange(800) * 1e-5
    >>> y = 3.0 * np.cos(2 * np.pi * 2000.0 * t + 1.0)[None, :]
    >>> bool(np.abs(remove_ripple(y, (t < 3e-3)[None, :], 1e-5, 2000.0)).max() < 1e-9)
    True
    """
    used = settled & np.isfinite(rows)
    angle = 2 * np.pi * frequency_Hz * interval_s * np.arange(rows.shape[1])
    wave = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    design = np.concatenate([wave, np.ones((rows.shape[1], 1))], axis=1)
    products = (design[:, :, None] * design[:, None, :]).reshape(-1, 9)
    normal = (used.astype(float) @ products).reshape(-1, 3, 3)
    right = np.where(used, rows, 0.0) @ design
    enough = (used.sum(axis=1) * interval_s * frequency_Hz > 1.5) & (np.linalg.det(normal) > 1e-9)
    solved = np.linalg.solve(np.where(enough[:, None, None], normal, np.eye(3)), right[:, :, None])[:, :2, 0]
    return rows - np.where(enough[:, None], solved, 0.0) @ wave.T
