"""Answers without a stated uncertainty, in the form of sigkit's instants."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from sigkit.types.channel import Channel
from sigkit.types.firings import Firings
from sigkit.types.instants import Instant, Instants, Intervals
from sigkit_baselines.signed_windows import SignedWindows, signed_windows

#: Conduction shorter than this is a flash (sigkit's definition), seconds.
_FLASH_S = 0.05e-3


def locate_by(
    method: Callable[[SignedWindows], tuple[NDArray, NDArray]], channel: Channel, firings: Firings
) -> Instants:
    """Apply a method that names breakdown and burn_end of windows, in float columns, NaN for no answer."""
    n = len(firings)
    begin, end = np.full(n, np.nan), np.full(n, np.nan)
    if channel.kind not in ("coil_current", "synchronising_pulse"):
        for windows in signed_windows(channel, firings):
            first, last = method(windows)
            begin[windows.rows], end[windows.rows] = windows.origin + first, windows.origin + last
    known = np.isfinite(begin) & np.isfinite(end) & (end > begin)
    begin, end = np.where(known, begin, np.nan), np.where(known, end, np.nan)
    long = known & ((end - begin) / channel.sample_rate_Hz >= _FLASH_S)
    sparked = np.where(long, "yes", np.where(known, "flash", "unknown")).astype(object)
    rows = np.flatnonzero(known)
    unstated = np.full(rows.size, np.nan)
    intervals = Intervals(rows, begin[rows], end[rows], unstated, unstated.copy(), np.zeros(rows.size, dtype=np.int64))
    nothing = _instant(np.full(n, np.nan))
    return Instants(channel.name, nothing, nothing, _instant(begin), _instant(end), sparked, intervals)


def _instant(position: NDArray) -> Instant:
    unstated = np.full(position.size, np.nan)
    flag = np.where(np.isfinite(position), "ok", "missing:not_judged").astype(object)
    return Instant(position, unstated, unstated.copy(), unstated.copy(), flag)
