"""Poles of damped oscillations by the matrix pencil, many rows at once."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.linalg.lapack import dsyevr

from sigkit.prepare.block_means import block_means

#: Share of the row that the pencil spans (Hua & Sarkar, IEEE Trans. ASSP 38(5), 1990, from memory: a third to a
#: half of the samples is near the best).
PENCIL_SHARE = 0.4
#: Rows are thinned to about this many samples a row for the pencil (our choice: its cost grows with the cube).
PENCIL_SAMPLES = 120
#: Poles looked for: one oscillation and one slow tail (our choice).
POLES = 3


def strongest_oscillation(
    values: NDArray, sample_rate_Hz: float, band_Hz: tuple[float, float]
) -> NDArray[np.float64]:
    """Return damped frequency and damping ratio of the strongest pole of each row.

    Rows of equal length are solved together. A mean over some samples keeps the poles of a sum of damped
    oscillations, so thinning costs nothing but the band above.

    Parameters
    ----------
    values : ndarray, shape (n, m)
        Rows that begin with the oscillation; cut at the first NaN.
    sample_rate_Hz : float
    band_Hz : tuple of float
        Frequencies looked in; above 0.4 of the (thinned) rate none is found.

    Returns
    -------
    ndarray, shape (n, 2)
        Hertz and a ratio; NaN where no pole lies in the band.

    Examples
    --------
    >>> t = np.arange(300) * 4e-6
    >>> row = 0.5 + np.exp(-1500.0 * t) * np.cos(2 * np.pi * 5000.0 * t)
    >>> strongest_oscillation(row[None], 250e3, (800.0, 40e3)).round(4).tolist()
    [[5000.0, 0.0477]]
    """
    result = np.full((len(values), 2), np.nan)
    known = np.isfinite(values)
    length = np.where(known.all(axis=1), values.shape[1], (~known).argmax(axis=1))
    for size in np.unique(length):
        if size < 4 * POLES:
            continue
        group = np.flatnonzero(length == size)
        step = max(1, int(size) // PENCIL_SAMPLES)
        step = min(step, max(1, int(0.2 * sample_rate_Hz / band_Hz[1])))
        # Means over the step keep the noise of the samples left out; poles keep their meaning.
        whole = int(size) // step * step
        part = block_means(values[group, :whole], step)[:, :PENCIL_SAMPLES]
        result[group] = _strongest(part - np.median(part, axis=1, keepdims=True), step / sample_rate_Hz, band_Hz)
    return result


def _strongest(part: NDArray, interval_s: float, band_Hz: tuple[float, float]) -> NDArray[np.float64]:
    n, m = part.shape
    span = int(np.clip(round(PENCIL_SHARE * m), POLES + 1, m - POLES - 1))
    hankel = np.lib.stride_tricks.sliding_window_view(part, span, axis=1)
    # The strongest right singular vectors, as eigenvectors of a matrix of half the size: record and noise are far above
    # the rounding that squaring costs.
    subspace = _strongest_directions(np.swapaxes(hankel, 1, 2) @ hankel, POLES)
    shift = np.linalg.pinv(subspace[:, :-1]) @ subspace[:, 1:]
    poles = np.linalg.eigvals(shift).astype(np.complex128)
    size = np.abs(poles)
    rate = np.where(size > 0, np.log(np.where(size > 0, size, 1.0)), -np.inf) / interval_s
    omega = np.abs(np.angle(poles)) / interval_s
    frequency = omega / (2 * np.pi)
    top = min(band_Hz[1], 0.4 / interval_s)
    inside = (frequency >= band_Hz[0]) & (frequency <= top) & np.isfinite(rate)
    # Strength of a pole: energy of its fitted exponential over the row.
    powers = _powers(np.where(np.isfinite(poles), poles, 0.0), m)
    powers = np.where(np.isfinite(powers), powers, 0.0)
    amplitude = np.linalg.pinv(powers) @ part[..., None].astype(np.complex128)
    energy = np.abs(amplitude[..., 0]) ** 2 * (np.abs(powers) ** 2).sum(axis=1)
    energy = np.where(inside, energy, -1.0)
    best = energy.argmax(axis=1)
    index = np.arange(n)
    good = energy[index, best] > 0
    decay = -rate[index, best]
    size = np.where(good, np.hypot(decay, omega[index, best]), 1.0)
    damping = np.where(good, decay, 0.0) / np.where(size > 0, size, 1.0)
    return np.column_stack([np.where(good, frequency[index, best], np.nan), np.where(good, damping, np.nan)])


def _powers(poles: NDArray, number: int) -> NDArray[np.complex128]:
    """Return the powers 0 ... number - 1 of poles (n, k), shape (n, number, k), twice as many at a time."""
    powers = np.ones((len(poles), number, poles.shape[1]), dtype=np.complex128)
    power, done = poles[:, None, :], 1
    with np.errstate(over="ignore", invalid="ignore"):
        while done < number:
            more = min(done, number - done)
            np.multiply(powers[:, :more], power, out=powers[:, done : done + more])
            power, done = power * power, done + more
    return powers


def _strongest_directions(square: NDArray, number: int) -> NDArray[np.float64]:
    """Return the eigenvectors of the largest eigenvalues of symmetric matrices (n, m, m), shape (n, m, number)."""
    size = square.shape[1]
    # A few of many eigenvectors cost half of all of them, which numpy would give.
    found = [dsyevr(one, range="I", il=size - number + 1, iu=size) for one in square]
    if any(status != 0 for *_, status in found):
        raise np.linalg.LinAlgError("the eigenvectors of a pencil do not converge")
    vectors = [one[:, number - 1 :: -1] for _, one, *_ in found]
    return np.stack(vectors) if vectors else np.zeros((0, size, number))
