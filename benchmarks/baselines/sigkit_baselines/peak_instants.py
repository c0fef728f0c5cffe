"""Instants by `scipy.signal.find_peaks`: of the signal for breakdown, of its bend for the end of the burn."""

from __future__ import annotations

from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from sigkit.types.channel import Channel
from sigkit.types.firings import Firings
from sigkit.types.instants import Instants
from sigkit_baselines.derivative import GUARD_S, SPAN_S, mean_steps
from sigkit_baselines.plain_instants import locate_by
from sigkit_baselines.signed_windows import SignedWindows


class PeakInstants:
    """Burn end: first peak of the downward bend (second difference) of at least this share of the largest.

    Parameters
    ----------
    prominence : float
        Share, 0 to 1.
    """

    name = "baseline_find_peaks"
    states_uncertainty = False
    tunable: ClassVar[dict[str, tuple[float, ...]]] = {"prominence": (0.5, 0.7, 0.8, 0.9, 1.0)}

    def __init__(self, prominence: float = 0.9) -> None:
        self.prominence = prominence

    def locate(self, channel: Channel, firings: Firings) -> Instants:
        """Return the instants of the firings of one channel."""
        return locate_by(self._find, channel, firings)

    def _find(self, windows: SignedWindows) -> tuple[NDArray, NDArray]:
        from scipy.signal import find_peaks

        span = max(1, round(2.5 * SPAN_S * windows.rate_Hz))
        guard = max(2, round(GUARD_S * windows.rate_Hz))
        bend = -mean_steps(mean_steps(windows.y, span), span)
        end = np.full(windows.rows.size, np.nan)
        for row, peak in enumerate(windows.peak):
            first = int(peak) + guard
            part = bend[row, first:]
            if part.size < 3 or part.max() <= 0:
                continue
            least = self.prominence * float(part.max())
            found, _ = find_peaks(part, height=least)
            if found.size:
                end[row] = first + found[0]
        return windows.peak.astype(float), end
