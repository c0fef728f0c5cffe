"""Oscillation that dies away: frequency, damping and cycles by a subspace method and by the decrement."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sigkit.errors import SettingsError
from sigkit.features.named_columns import NamedColumns
from sigkit.measure.fit_ring import fit_ring

#: Share of the row that the pencil spans (Hua & Sarkar, IEEE Trans. ASSP 38(5), 1990, from memory: a third to a
#: half of the samples is near the best).
PENCIL_SHARE = 0.4
#: Rows are thinned to about this many samples a row for the pencil (our choice: its cost grows with the cube).
PENCIL_SAMPLES = 120
#: Poles looked for: one oscillation and one slow tail (our choice).
POLES = 3


class OscillationDecay(NamedColumns):
    """Damped oscillation in each row by a matrix pencil, the logarithmic decrement beside it.

    Parameters
    ----------
    sample_rate_Hz : float
        Rate of the rows, hertz, positive.
    band_Hz : tuple of float
        Frequencies in which an oscillation counts (default 0.8 to 40 kHz; our choice: coils ring at 3 to 20 kHz,
        common practice, no source). Above 0.4 of the rate it is missing.

    Raises
    ------
    sigkit.errors.SettingsError
        From ``fit``, for settings that contradict each other.

    Notes
    -----
    Columns: ``pencil_frequency_Hz`` and ``pencil_damping_ratio`` of the strongest pole in the band,
    ``decrement_frequency_Hz``, ``decrement_damping_ratio`` and ``ring_cycles`` of the fit that fills the firing
    table. Rows begin with the oscillation. A row with missing samples in front of its end is cut there.

    Examples
    --------
    >>> import numpy as np
    >>> t = np.arange(400) * 4e-6
    >>> row = np.exp(-2500.0 * t) * np.cos(2 * np.pi * 7000.0 * t)
    >>> found = OscillationDecay(sample_rate_Hz=250e3).fit_transform(row[None])[0]
    >>> round(float(found[0]), 3), round(float(found[2]))
    (7000.0, 7000)
    """

    def __init__(self, sample_rate_Hz: float = 1e6, band_Hz: tuple[float, float] = (800.0, 40_000.0)) -> None:
        self.sample_rate_Hz = sample_rate_Hz
        self.band_Hz = band_Hz

    def _check_settings(self) -> None:
        if not self.sample_rate_Hz > 0:
            raise SettingsError(f"sample_rate_Hz must be positive, got {self.sample_rate_Hz}")
        if not 0 <= self.band_Hz[0] < self.band_Hz[1]:
            raise SettingsError(f"band_Hz needs 0 <= lower < upper, got {self.band_Hz}")

    def _names(self) -> list[str]:
        return ["pencil_frequency_Hz", "pencil_damping_ratio", "decrement_frequency_Hz", "decrement_damping_ratio",
                "ring_cycles"]  # fmt: skip

    def _rows(self, rows: NDArray) -> NDArray:
        values = np.asarray(rows, dtype=np.float64)
        pencil = self._pencil(values)
        if values.shape[1] < 8:
            return np.column_stack([pencil, np.full((len(values), 3), np.nan)])
        fit = fit_ring(values, 1.0 / self.sample_rate_Hz)
        top = 0.4 * self.sample_rate_Hz
        frequency = np.where(fit.ok & (fit.frequency_Hz <= top), fit.frequency_Hz, np.nan)
        damping = np.where(np.isfinite(frequency), fit.damping_ratio, np.nan)
        return np.column_stack([pencil, frequency, damping, np.where(fit.ok, fit.cycles, np.nan)])

    def _pencil(self, values: NDArray) -> NDArray[np.float64]:
        """Strongest pole in the band of each row; rows of equal length are solved together."""
        result = np.full((len(values), 2), np.nan)
        known = np.isfinite(values)
        length = np.where(known.all(axis=1), values.shape[1], (~known).argmax(axis=1))
        for size in np.unique(length):
            if size < 4 * POLES:
                continue
            group = np.flatnonzero(length == size)
            step = max(1, int(size) // PENCIL_SAMPLES)
            step = min(step, max(1, int(0.2 * self.sample_rate_Hz / self.band_Hz[1])))
            # Means over the step keep the noise of the samples left out; poles keep their meaning.
            whole = int(size) // step * step
            part = values[group, :whole].reshape(group.size, -1, step).mean(axis=2)[:, :PENCIL_SAMPLES]
            result[group] = self._poles(part - np.median(part, axis=1, keepdims=True), step / self.sample_rate_Hz)
        return result

    def _poles(self, part: NDArray, interval_s: float) -> NDArray[np.float64]:
        n, m = part.shape
        span = int(np.clip(round(PENCIL_SHARE * m), POLES + 1, m - POLES - 1))
        hankel = np.lib.stride_tricks.sliding_window_view(part, span, axis=1)
        _, _, right = np.linalg.svd(hankel, full_matrices=False)
        subspace = np.swapaxes(right[:, :POLES, :], 1, 2)
        shift = np.linalg.pinv(subspace[:, :-1]) @ subspace[:, 1:]
        poles = np.linalg.eigvals(shift).astype(np.complex128)
        size = np.abs(poles)
        rate = np.where(size > 0, np.log(np.where(size > 0, size, 1.0)), -np.inf) / interval_s
        omega = np.abs(np.angle(poles)) / interval_s
        frequency = omega / (2 * np.pi)
        top = min(self.band_Hz[1], 0.4 / interval_s)
        inside = (frequency >= self.band_Hz[0]) & (frequency <= top) & np.isfinite(rate)
        # Strength of a pole: energy of its fitted exponential over the row.
        powers = np.where(np.isfinite(poles), poles, 0.0)[:, None, :] ** np.arange(m)[None, :, None]
        powers = np.where(np.isfinite(powers), powers, 0.0)
        amplitude = np.linalg.pinv(powers) @ part[..., None].astype(np.complex128)
        energy = np.abs(amplitude[..., 0]) ** 2 * (np.abs(powers) ** 2).sum(axis=1)
        energy = np.where(inside, energy, -1.0)
        best = energy.argmax(axis=1)
        index = np.arange(n)
        good = energy[index, best] > 0
        decay = -rate[index, best]
        damping = decay / np.hypot(decay, omega[index, best])
        return np.column_stack([np.where(good, frequency[index, best], np.nan), np.where(good, damping, np.nan)])
