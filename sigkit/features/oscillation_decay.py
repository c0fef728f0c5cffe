"""Oscillation that dies away: frequency, damping and cycles by a subspace method and by the decrement."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sigkit.errors import SettingsError
from sigkit.features.matrix_pencil import strongest_oscillation
from sigkit.features.named_columns import NamedColumns
from sigkit.measure.fit_ring import fit_ring


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
        pencil = strongest_oscillation(values, self.sample_rate_Hz, self.band_Hz)
        if values.shape[1] < 8:
            return np.column_stack([pencil, np.full((len(values), 3), np.nan)])
        fit = fit_ring(values, 1.0 / self.sample_rate_Hz)
        top = 0.4 * self.sample_rate_Hz
        frequency = np.where(fit.ok & (fit.frequency_Hz <= top), fit.frequency_Hz, np.nan)
        damping = np.where(np.isfinite(frequency), fit.damping_ratio, np.nan)
        return np.column_stack([pencil, frequency, damping, np.where(fit.ok, fit.cycles, np.nan)])
