"""Correction of several tests by Holm's step-down rule."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sigkit.score.study_extra import study_module


def holm_correction(p_values: ArrayLike) -> NDArray[np.float64]:
    """Return p-values corrected for their number (Holm, Scand. J. Statist. 1979;6:65-70), by statsmodels.

    Parameters
    ----------
    p_values : array_like of float, shape (n,)
        0 to 1; a NaN (a test that could not be made) stays NaN and does not count.

    Raises
    ------
    ValueError
        When a p-value lies outside 0 to 1.
    SettingsError
        When statsmodels (the ``study`` extra) is not installed.

    Examples
    --------
    >>> holm_correction([0.01, 0.04, 0.03]).round(6).tolist()
    [0.03, 0.06, 0.06]
    """
    values = np.asarray(p_values, dtype=float)
    known = ~np.isnan(values)
    if ((values[known] < 0) | (values[known] > 1)).any():
        raise ValueError("a p-value lies outside 0 to 1")
    corrected = np.full(values.shape, np.nan)
    if known.any():
        tests = study_module("statsmodels.stats.multitest", "a correction for several tests")
        corrected[known] = tests.multipletests(values[known], method="holm")[1]
    return corrected
