"""How far neighbouring samples of the noise hang together."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray


def noise_correlation(rows: NDArray, most_lags: int = 32) -> float:
    """Return the factor by which neighbouring samples' correlation raises the variance of a mean.

    1 + 2 x the sum of the autocorrelation up to its first value below two standard errors (JCGM 100:2008,
    4.2.7 asks for this where readings are correlated; the cut-off is our choice).

    Parameters
    ----------
    rows : ndarray, shape (n, m)
        Settled stretches; NaN pads.
    most_lags : int

    Returns
    -------
    float
        1 or more.

    Examples
    --------
    >>> noise_correlation(np.array([[1.0, -1.0, 1.0, -1.0, 1.0, -1.0, 1.0, -1.0]]))
    1.0
    """
    if rows.size == 0:
        return 1.0
    known = np.isfinite(rows)
    count = np.maximum(known.sum(axis=1), 1)[:, None]
    centred = np.where(known, rows - np.where(known, rows, 0.0).sum(axis=1)[:, None] / count, 0.0)
    power = np.sum(centred**2)
    if power <= 0:
        return 1.0
    factor, pairs = 1.0, int(known.sum())
    for lag in range(1, min(most_lags, rows.shape[1] - 1)):
        r = float(np.sum(centred[:, lag:] * centred[:, :-lag]) / power)
        if r < 2.0 / np.sqrt(pairs):
            break
        factor += 2.0 * r
    return factor
