"""Shape of the burn line: slope, curvature, hash and steps of rows that hold it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sigkit.errors import SettingsError
from sigkit.features.named_columns import NamedColumns
from sigkit.measure.fit_burn_line import fit_burn_line


class BurnLineSlope(NamedColumns):
    """Robust line and parabola through each row.

    The same fit that fills the firing table (`sigkit.measure.fit_burn_line`), so a feature and a measurement
    cannot differ.

    Parameters
    ----------
    sample_rate_Hz : float
        Rate of the rows, hertz, positive.
    trim : float
        Share left out at either end of the row, 0 to below 0.5 (default 0.2, as the design defines the slope).

    Raises
    ------
    sigkit.errors.SettingsError
        From ``fit``, for settings outside their range.

    Notes
    -----
    Columns: ``burn_level_V``, ``burn_slope_V_per_ms`` and ``burn_curvature_V_per_ms2`` of the magnitude
    (positive when it grows), ``burn_hash_V`` (rms about the parabola), ``burn_step_V`` (largest step). The unit
    V stands for the unit of the rows. A row with fewer than three samples left is missing.

    Examples
    --------
    >>> import numpy as np
    >>> row = 800.0 + 120.0 * np.arange(100) * 0.01
    >>> round(float(BurnLineSlope(sample_rate_Hz=1e5).fit_transform(row[None])[0, 1]), 6)
    120.0
    """

    def __init__(self, sample_rate_Hz: float = 1e6, trim: float = 0.2) -> None:
        self.sample_rate_Hz = sample_rate_Hz
        self.trim = trim

    def _check_settings(self) -> None:
        if not self.sample_rate_Hz > 0:
            raise SettingsError(f"sample_rate_Hz must be positive, got {self.sample_rate_Hz}")
        if not 0 <= self.trim < 0.5:
            raise SettingsError(f"trim must be at least 0 and below 0.5, got {self.trim}")

    def _names(self) -> list[str]:
        return ["burn_level_V", "burn_slope_V_per_ms", "burn_curvature_V_per_ms2", "burn_hash_V", "burn_step_V"]

    def _rows(self, rows: NDArray) -> NDArray:
        values = np.asarray(rows, dtype=np.float64)
        known = np.isfinite(values)
        # The trim counts from the first to the last recorded sample of each row.
        first = np.where(known.any(axis=1), known.argmax(axis=1), 0)
        last = np.where(known.any(axis=1), values.shape[1] - 1 - known[:, ::-1].argmax(axis=1), -1)
        span = (last - first)[:, None]
        column = np.arange(values.shape[1])[None, :]
        inside = (column >= first[:, None] + self.trim * span) & (column <= last[:, None] - self.trim * span)
        part = np.where(inside, values, np.nan)
        time_ms = np.broadcast_to(column * (1e3 / self.sample_rate_Hz), values.shape)
        fit = fit_burn_line(time_ms, part)
        sign = np.where(fit.level < 0, -1.0, 1.0)
        return np.column_stack([fit.level, sign * fit.slope, sign * fit.curvature, fit.rms, sign * fit.step])
