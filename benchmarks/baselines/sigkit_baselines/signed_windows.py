"""Windows of firings, firing lines upwards, about the median of the window: all that the rivals are told."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sigkit.prepare.firing_windows import cut_windows
from sigkit.types.channel import Channel
from sigkit.types.firings import Firings

#: Reach of a window before and behind the detector's position, and where the peak sample is sought, seconds
#: (our choice).
BEFORE_S, AFTER_S = 1e-3, 14e-3
PEAK_BEFORE_S, PEAK_AFTER_S = 0.1e-3, 0.3e-3
#: Samples worked on at once (our choice: 32 MB an array).
_MOST_SAMPLES = 4_000_000


@dataclass(frozen=True, eq=False)
class SignedWindows:
    """Windows of k firings.

    Attributes
    ----------
    rows : ndarray of int, shape (k,)
        Row numbers of the firings.
    y : ndarray of float64, shape (k, m)
        Signed, about the median; NaN off the record and behind the next firing's position.
    origin : ndarray of int64, shape (k,)
        Sample of column 0.
    peak : ndarray of int64, shape (k,)
        Column of the peak sample.
    rate_Hz : float
    """

    rows: NDArray[np.int64]
    y: NDArray[np.float64]
    origin: NDArray[np.int64]
    peak: NDArray[np.int64]
    rate_Hz: float


def signed_windows(channel: Channel, firings: Firings) -> Iterator[SignedWindows]:
    """Yield the windows of all firings in batches."""
    rate = channel.sample_rate_Hz
    before, length = round(BEFORE_S * rate), round((BEFORE_S + AFTER_S) * rate) + 1
    column = np.arange(length)
    following = np.append(firings.position[1:], np.iinfo(np.int64).max // 2)
    block = max(1, _MOST_SAMPLES // length)
    near = (column >= before - round(PEAK_BEFORE_S * rate) - 1) & (column <= before + round(PEAK_AFTER_S * rate) + 1)
    for first in range(0, len(firings), block):
        rows = np.arange(first, min(first + block, len(firings)))
        origin = firings.position[rows] - before
        y = cut_windows(channel, origin, length)
        stop = np.minimum(firings.stop[rows], following[rows] - round(0.1e-3 * rate)) - origin
        y[column[None, :] >= np.maximum(stop, before + 2)[:, None]] = np.nan
        y[~np.isfinite(y).any(axis=1), before] = 0.0
        y -= np.nanmedian(y, axis=1, keepdims=True)
        largest = np.nanargmax(np.abs(y), axis=1)
        guess = np.where(y[np.arange(rows.size), largest] < 0, -1, 1)
        y *= np.where(firings.polarity[rows] == 0, guess, np.sign(firings.polarity[rows]))[:, None]
        peak = np.where(near & np.isfinite(y), y, -np.inf).argmax(axis=1)
        yield SignedWindows(rows, y, origin, peak, rate)
