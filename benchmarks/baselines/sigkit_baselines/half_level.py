"""Pulse duration between half-level crossings, in the sense of IEEE 181 (steps as general libraries give them)."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sigkit.types.channel import Channel
from sigkit.types.firings import Firings
from sigkit.types.instants import Instants
from sigkit_baselines.plain_instants import locate_by
from sigkit_baselines.signed_windows import SignedWindows

#: A trace has more than two states: the spike, this long about the peak, is kept out of the histogram, and a
#: fall counts when it lasts this long (our choices), seconds.
SPIKE_S, LASTING_S = 60e-6, 10e-6
BINS = 128


class HalfLevel:
    """Pulse duration: from the rise through the half level to the lasting fall through it."""

    name = "baseline_half_level"
    states_uncertainty = False

    def locate(self, channel: Channel, firings: Firings) -> Instants:
        """Return the instants of the firings of one channel."""
        return locate_by(half_level_crossings, channel, firings)


def state_levels(values: NDArray) -> tuple[float, float]:
    """Return low and high state level by the histogram method: modes of the halves of the occupied span.

    Examples
    --------
    >>> low, high = state_levels(np.r_[np.zeros(50), np.ones(50)])
    >>> abs(low) < 0.01 and abs(high - 1) < 0.01
    True
    """
    low, high = float(values.min()), float(values.max())
    if high <= low:
        return low, high
    counts, edges = np.histogram(values, bins=BINS, range=(low, high))
    middle = 0.5 * (edges[1:] + edges[:-1])
    half = BINS // 2
    return float(middle[:half][counts[:half].argmax()]), float(middle[half:][counts[half:].argmax()])


def half_level_crossings(windows: SignedWindows) -> tuple[NDArray, NDArray]:
    """Return columns of the rise in front of the peak and of the lasting fall behind it."""
    k = windows.rows.size
    begin, end = np.full(k, np.nan), np.full(k, np.nan)
    spike = round(SPIKE_S * windows.rate_Hz)
    lasting = max(1, round(LASTING_S * windows.rate_Hz))
    for row in range(k):
        y, peak = windows.y[row], int(windows.peak[row])
        kept = np.concatenate([y[: max(peak - spike, 0)], y[peak + spike + 1 :]])
        kept = kept[np.isfinite(kept)]
        if kept.size < 10:
            continue
        low, high = state_levels(kept)
        level = 0.5 * (low + high)
        below = y < level
        before = np.flatnonzero(below[:peak])
        if before.size:
            begin[row] = _crossing(y, int(before[-1]), level)
        # The first of `lasting` samples in a row below the level.
        after = np.flatnonzero(np.convolve(below[peak + 1 :], np.ones(lasting), "valid") > lasting - 0.5)
        if after.size:
            end[row] = _crossing(y, peak + int(after[0]), level)
    return begin, end


def _crossing(y: NDArray, left: int, level: float) -> float:
    """Return where the straight line from a sample to the next one meets the level."""
    step = y[left + 1] - y[left]
    return left + float(np.clip((level - y[left]) / step, 0.0, 1.0)) if step else float(left)
