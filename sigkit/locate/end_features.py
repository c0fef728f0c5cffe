"""What stands around a possible end of the burn, in numbers that know neither unit, polarity nor sample rate."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sigkit.locate.burn_candidates import candidate_offsets
from sigkit.locate.first_look import FirstLook

#: Edges of the time bins about the candidate, seconds (our choice: finer near it; half a swing of the slowest
#: ring and a stretch of burn line in front).
EDGES_S = (
    -900e-6, -450e-6, -250e-6, -140e-6, -80e-6, -45e-6, -25e-6, -12e-6, -5e-6, 0.0, 5e-6, 12e-6, 22e-6, 35e-6, 55e-6,
    80e-6, 115e-6, 165e-6, 240e-6, 350e-6, 520e-6, 800e-6,
)  # fmt: skip
#: Features beside the bins.
FURTHER = ("scale_to_level", "noise_to_scale", "log_since_breakdown", "log_interval", "recorded_behind",
           "spike_to_level", "dwell_to_level")  # fmt: skip
FEATURE_COUNT = len(EDGES_S) - 1 + len(FURTHER)


def end_features(look: FirstLook, firings: slice = slice(None)) -> NDArray[np.float32]:
    """Describe the candidates of `candidate_grid`.

    Parameters
    ----------
    look : FirstLook
    firings : slice
        Which n firings; all by default.

    Returns
    -------
    ndarray of float32, shape (n, k, FEATURE_COUNT)
        Feature by feature in memory. Those of candidates off the record mean nothing.
    """
    interval_s, noise = look.rough.interval_s, look.column_noise
    offsets = candidate_offsets(interval_s)
    breakdown = np.nan_to_num(look.breakdown[firings])
    column = np.ceil(breakdown)
    found = look.found
    level, spike, dwell = (of[firings, None] for of in (found.early_level, found.peak_level, found.dwell_level))
    edges = np.asarray(EDGES_S) / interval_s
    means, counts = look.levels.along(firings, column.astype(np.int64), offsets, edges)
    bins = len(means)
    result = np.empty((FEATURE_COUNT, *means.shape[1:]), dtype=np.float32)
    scale = np.maximum(np.maximum(means.max(axis=0), -means.min(axis=0)).astype(float), 1e-300)
    np.multiply(means, 1.0 / scale, out=result[:bins], casting="same_kind")
    safe = np.maximum(level, 1e-300)
    behind = counts[len(EDGES_S) // 2 :].sum(axis=0) * interval_s / 0.8e-3
    since = np.maximum(offsets + (column - breakdown)[:, None], 0.1) * interval_s
    further = (
        np.log10(np.clip(scale / safe, 1e-3, 1e3)),
        np.log10(np.clip(noise / scale, 1e-5, 1e2)),
        np.log10(since / 1e-3),
        np.log10(interval_s / 1e-6),
        np.clip(behind, 0.0, 1.0),
        np.log10(np.clip(spike / safe, 1e-2, 1e2)),
        np.clip(dwell / safe, -5.0, 5.0),
    )
    for number, values in enumerate(further, start=bins):
        result[number] = values
    return result.transpose(1, 2, 0)
