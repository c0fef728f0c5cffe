"""Instants by thresholds on the derivative."""

from __future__ import annotations

from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from sigkit.types.channel import Channel
from sigkit.types.firings import Firings
from sigkit.types.instants import Instants
from sigkit_baselines.plain_instants import locate_by
from sigkit_baselines.signed_windows import SignedWindows

#: Span of the difference, and time left to the collapse, seconds (our choices).
SPAN_S, GUARD_S = 8e-6, 60e-6


def mean_steps(y: NDArray, span: int) -> NDArray[np.float64]:
    """Return, at each column, the mean of the next ``span`` samples less that of the ``span`` before; 0 at the ends.

    Examples
    --------
    >>> mean_steps(np.array([[0.0, 0.0, 0.0, 1.0, 1.0, 1.0]]), 2).tolist()
    [[0.0, 0.0, 0.5, 1.0, 0.5, 0.0]]
    """
    sums = np.cumsum(np.pad(np.nan_to_num(y, nan=0.0), ((0, 0), (1, 0))), axis=1)
    result = np.zeros(y.shape)
    if y.shape[1] >= 2 * span:
        inner = slice(span, y.shape[1] - span + 1)
        middle = sums[:, inner]
        result[:, inner] = (sums[:, 2 * span :] - 2 * middle + sums[:, : -2 * span]) / span
    result[~np.isfinite(y)] = 0.0
    return result


class DerivativeInstants:
    """Breakdown: steepest fall at the peak. Burn end: first fall of this share of the steepest later one.

    Parameters
    ----------
    threshold : float
        Share, 0 to 1.
    """

    name = "baseline_derivative_threshold"
    states_uncertainty = False
    tunable: ClassVar[dict[str, tuple[float, ...]]] = {"threshold": (0.35, 0.5, 0.6, 0.7, 0.85)}

    def __init__(self, threshold: float = 0.6) -> None:
        self.threshold = threshold

    def locate(self, channel: Channel, firings: Firings) -> Instants:
        """Return the instants of the firings of one channel."""
        return locate_by(self._find, channel, firings)

    def _find(self, windows: SignedWindows) -> tuple[NDArray, NDArray]:
        span = max(1, round(SPAN_S * windows.rate_Hz))
        guard = max(2, round(GUARD_S * windows.rate_Hz))
        y, column = windows.y, np.arange(windows.y.shape[1])[None, :]
        fall = -mean_steps(y, span)
        first = np.nan_to_num(-np.diff(y, axis=1), nan=0.0)
        at = np.arange(first.shape[1])[None, :]
        near = (at >= windows.peak[:, None]) & (at < windows.peak[:, None] + guard)
        begin = np.where(near, first, -np.inf).argmax(axis=1) + 0.5
        later = np.where(column >= windows.peak[:, None] + guard, fall, 0.0)
        passes = later >= self.threshold * later.max(axis=1, keepdims=True)
        passes &= later > 0
        end = np.where(passes.any(axis=1), passes.argmax(axis=1).astype(float), np.nan)
        return begin, end
