"""Burn end by the general change-point library ruptures (BSD-2-Clause)."""

from __future__ import annotations

from importlib.util import find_spec
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from sigkit.types.channel import Channel
from sigkit.types.firings import Firings
from sigkit.types.instants import Instants
from sigkit_baselines.plain_instants import locate_by
from sigkit_baselines.signed_windows import SignedWindows

if find_spec("ruptures") is None:
    raise ImportError("ruptures is not installed; install sigkit-baselines[change-point]")

#: Time left to the collapse, seconds; most points of the first search; reach of the second, in points.
GUARD_S, MOST_POINTS, REACH = 40e-6, 1000, 40


class ChangePoint:
    """Shifts of the level over the whole window name the fall; two straight lines about it name the instant.

    Parameters
    ----------
    changes : int
        Number of shifts sought.
    """

    name = "baseline_change_point"
    states_uncertainty = False
    tunable: ClassVar[dict[str, tuple[int, ...]]] = {"changes": (2, 4, 6, 9)}

    def __init__(self, changes: int = 4) -> None:
        self.changes = int(changes)

    def locate(self, channel: Channel, firings: Firings) -> Instants:
        """Return the instants of the firings of one channel."""
        return locate_by(self._find, channel, firings)

    def _find(self, windows: SignedWindows) -> tuple[NDArray, NDArray]:
        end = np.full(windows.rows.size, np.nan)
        guard = max(1, round(GUARD_S * windows.rate_Hz))
        for row, peak in enumerate(windows.peak):
            y = windows.y[row, int(peak) + guard :]
            y = y[: np.isfinite(y).cumprod().sum()]
            if y.size > 4 * (self.changes + 1):
                end[row] = int(peak) + guard + self._fall(y)
        return windows.peak.astype(float), end

    def _fall(self, y: NDArray) -> float:
        import ruptures

        factor = -(-y.size // MOST_POINTS)
        z = y[: y.size // factor * factor].reshape(-1, factor).mean(axis=1)
        breaks = ruptures.KernelCPD(kernel="linear", min_size=2, jump=1).fit(z).predict(n_bkps=self.changes)
        edges = [0, *breaks]
        means = np.array([z[a:b].mean() for a, b in zip(edges[:-1], edges[1:], strict=True)])
        rough = breaks[int(np.argmin(np.diff(means)))]
        # Two regressions on time about the fall, at a rate that keeps the search short.
        fine = max(1, factor // 4)
        z = y[: y.size // fine * fine].reshape(-1, fine).mean(axis=1)
        at = rough * factor // fine
        low, high = max(at - 2 * REACH, 0), min(at + REACH // 2, z.size)
        if high - low < 8:
            return float(rough * factor)
        design = np.column_stack([z[low:high], np.ones(high - low), np.arange(high - low)])
        knot = ruptures.Dynp(model="linear", min_size=3, jump=1).fit(design).predict(n_bkps=1)[0]
        return float((low + knot) * fine - 0.5)
