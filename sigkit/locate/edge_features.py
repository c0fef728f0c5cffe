"""The samples about rise and collapse, in numbers that know neither unit, polarity nor level."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sigkit.locate.find_breakdown import Breakdowns

#: Samples taken one by one to either side, and bins further out (our choice).
NEAR = 13
BINS = ((-24, -18), (-18, -13), (14, 19), (19, 25))
#: Samples that must be there to either side of an edge.
REACH = max(-BINS[0][0], BINS[-1][1]) + 1
FURTHER = 9
FEATURE_COUNT = 2 * (2 * NEAR + 1 + len(BINS)) + FURTHER


def edge_features(
    rows: NDArray, found: Breakdowns, sample_rate_Hz: float, noise: float, droop_rate: float, primary: bool
) -> NDArray[np.float64]:
    """Describe rise and collapse of firings.

    Parameters
    ----------
    rows : ndarray, shape (n, m)
        Signed, about the settled level, at the full rate; NaN off the record.
    found : Breakdowns
        In columns of these rows.
    sample_rate_Hz : float
    noise : float
        Standard deviation of one sample.
    droop_rate : float
        Of the pickup, 1/s.
    primary : bool
        Whether the channel shows the primary.

    Returns
    -------
    ndarray of float64, shape (n, FEATURE_COUNT)
    """
    n, m = rows.shape
    low = np.nan_to_num(found.dwell_level)
    top = np.where(found.spike, found.peak_level, found.early_level)
    scale = np.maximum(np.abs(top - low), 1e-300)[:, None]
    parts = []
    for instant in (found.breakdown, found.coil_off):
        middle = np.round(np.nan_to_num(instant)).astype(np.int64)
        where = middle[:, None] + np.arange(BINS[0][0], BINS[-1][1])
        seen = np.take_along_axis(rows, np.clip(where, 0, m - 1), axis=1)
        level = (np.where((where >= 0) & (where < m), seen, np.nan) - low[:, None]) / scale
        level = np.clip(np.nan_to_num(level), -3.0, 3.0)
        zero = -BINS[0][0]
        parts.append(level[:, zero - NEAR : zero + NEAR + 1])
        parts.append(np.stack([level[:, zero + a : zero + b].mean(axis=1) for a, b in BINS], axis=1))
        parts.append((np.nan_to_num(instant) - middle)[:, None])
    one = np.ones((n, 1))
    parts += [
        np.log10(1.0 + np.clip(np.nan_to_num(found.breakdown - found.coil_off), 0.0, None))[:, None],
        np.log10(sample_rate_Hz / 1e6) * one,
        float(primary) * one,
        found.spike[:, None].astype(float),
        np.log10(np.clip(noise / scale, 1e-5, 10.0)),
        np.log10(np.clip(np.abs(found.early_level)[:, None] / scale, 1e-3, 1e2)),
        np.log10(1.0 + droop_rate) * one,
    ]
    return np.concatenate(parts, axis=1)
