"""What stands around a possible end of the burn, in numbers that know neither unit, polarity nor sample rate."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

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


def end_features(look: FirstLook, candidates: NDArray, firings: slice = slice(None)) -> NDArray[np.float64]:
    """Describe candidate ends.

    Parameters
    ----------
    look : FirstLook
    candidates : ndarray, shape (n, k)
        Float rough columns of these firings; NaN where there is none (its features mean nothing).
    firings : slice
        Which firings; all by default.

    Returns
    -------
    ndarray of float64, shape (n, k, FEATURE_COUNT)
    """
    n, k = candidates.shape
    candidates = np.nan_to_num(candidates)
    breakdown = np.nan_to_num(look.breakdown[firings])
    interval_s, noise = look.rough.interval_s, look.column_noise
    found = look.found
    level, spike, dwell = (of[firings] for of in (found.early_level, found.peak_level, found.dwell_level))
    row = np.repeat(np.arange(len(look.breakdown))[firings], k)
    means, counts = look.levels.about(row, candidates.ravel(), np.asarray(EDGES_S) / interval_s)
    means, counts = means.reshape(n, k, -1), counts.reshape(n, k, -1)
    scale = np.maximum(np.abs(means).max(axis=-1), 1e-300)
    safe = np.maximum(level, 1e-300)[:, None]
    behind = counts[..., len(EDGES_S) // 2 :].sum(axis=-1) * interval_s / 0.8e-3
    since = np.maximum(candidates - breakdown[:, None], 0.1) * interval_s
    further = [
        np.log10(np.clip(scale / safe, 1e-3, 1e3)),
        np.log10(np.clip(noise / scale, 1e-5, 1e2)),
        np.log10(since / 1e-3),
        np.full(candidates.shape, np.log10(interval_s / 1e-6)),
        np.clip(behind, 0.0, 1.0),
        np.broadcast_to(np.log10(np.clip(spike[:, None] / safe, 1e-2, 1e2)), candidates.shape),
        np.broadcast_to(np.clip(dwell[:, None] / safe, -5.0, 5.0), candidates.shape),
    ]
    return np.concatenate([means / scale[..., None], np.stack(further, axis=-1)], axis=-1)
