"""Droop of the pickup, told from the shape of dwell, burn and what follows: a small network with stored weights."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from sigkit.locate.levels_about import RunningLevels
from sigkit.prepare.stored_network import evaluate_network, load_network

#: Weights made by ``benchmarks/train_locator.py`` from simulated engines.
WEIGHTS = "droop_weights.npz"
#: Bin edges about the switching-on and about the onset, seconds (our choice: from a tenth of the shortest time constant
#: to the whole discharge).
ON_EDGES_S = 1e-6 * np.array([-300, -40, 20, 50, 90, 140, 200, 280, 380, 500, 680, 900, 1200, 1700, 2400, 3400])
OFF_EDGES_S = 1e-6 * np.array([
    -3400, -2400, -1700, -1200, -900, -650, -450, -300, -180, -90, -30, 40, 90, 150, 230, 330, 450, 600, 800, 1050,
    1350, 1700, 2100, 2600, 3300, 4200, 5500, 7500, 10000,
])  # fmt: skip
FURTHER = 8
FEATURE_COUNT = ON_EDGES_S.size + OFF_EDGES_S.size - 2 + FURTHER
#: The network answers the decadic logarithm of the rate between these, 1/s (our choice: below, nothing droops within a
#: burn; above, no pickup is of use).
LEAST_RATE, MOST_RATE = 30.0, 3e4


def droop_features(
    rows: NDArray, coil_on: NDArray, zero: int, interval_s: float, noise: float, step: float, primary: bool
) -> NDArray[np.float64]:
    """Describe windows as recorded.

    Parameters
    ----------
    rows : ndarray, shape (n, m)
        Signed, about the settled level; NaN off the record.
    coil_on : ndarray, shape (n,)
        Column of the switching-on; NaN where it does not show.
    zero : int
        Column of the detector's onset.
    interval_s : float
    noise, step : float
        Standard deviation of a column, and step between stored values; the unit of the rows.
    primary : bool
        Whether the channel shows the primary.

    Returns
    -------
    ndarray of float64, shape (n, FEATURE_COUNT)
    """
    n = len(rows)
    levels, row = RunningLevels(rows), np.arange(n)
    known = np.isfinite(coil_on)
    on, _ = levels.about(row, np.where(known, coil_on, 0.0), ON_EDGES_S / interval_s)
    off, count = levels.about(row, np.full(n, float(zero)), OFF_EDGES_S / interval_s)
    # What follows the onset is no dwell.
    dwell_s = np.where(known, (zero - np.nan_to_num(coil_on)) * interval_s, 0.0)
    on = np.where(known[:, None] & (ON_EDGES_S[None, 1:] < dwell_s[:, None] - 60e-6), on, 0.0)
    scale = np.maximum(np.abs(np.concatenate([on, off], axis=1)).max(axis=1), 1e-300)
    dwell = np.maximum(np.abs(on).max(axis=1), 1e-3 * scale)
    one = np.ones(n)
    # Beyond the pickup's time constant the record integrates to nothing.
    area = (off * count).sum(axis=1) / np.maximum((np.abs(off) * count).sum(axis=1), 1e-300)
    further = [
        area, known.astype(float), dwell_s / 5e-3, np.log10(dwell / scale), np.log10(np.clip(noise / dwell, 1e-4, 1e2)),
        np.log10(np.clip(step / dwell, 1e-5, 1e2)), np.log10(interval_s / 1e-6) * one, float(primary) * one,
    ]  # fmt: skip
    return np.concatenate([on / dwell[:, None], off / scale[:, None], np.stack(further, axis=1)], axis=1)


@lru_cache(maxsize=1)
def _weights() -> dict[str, NDArray[np.float32]]:
    return load_network("sigkit.locate", WEIGHTS, FEATURE_COUNT)


def droop_rate(features: NDArray) -> float:
    """Return the droop rate of a pickup from the features of its firings, 1/s.

    Raises
    ------
    sigkit.errors.ModelError
        When the stored weights do not fit the features.
    """
    answers = np.clip(evaluate_network(_weights(), features), np.log10(LEAST_RATE), np.log10(MOST_RATE))
    return float(10.0 ** np.median(answers))
