"""Where the peak of a spectrum lies between its lines."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray


def spectral_peak(power: NDArray, line: int) -> float:
    """Return the place of a peak in lines, by the parabola through the amplitudes of the highest line and its two.

    Parameters
    ----------
    power : ndarray, shape (n,)
        Squared amplitudes, not negative.
    line : int
        The highest line, 1 ... n - 1.

    Returns
    -------
    float
        Within half a line of ``line``.

    Examples
    --------
    >>> spectral_peak(np.array([0.0, 1.0, 4.0, 1.0]), 2)
    2.0
    >>> spectral_peak(np.array([0.0, 1.0, 4.0, 4.0, 1.0]), 2)
    2.5
    """
    low, middle, high = np.sqrt(power[[line - 1, line, min(line + 1, power.size - 1)]])
    bend = low - 2 * middle + high
    shift = 0.5 * (low - high) / bend if bend < 0 else 0.0
    return float(line + np.clip(shift, -0.5, 0.5))
