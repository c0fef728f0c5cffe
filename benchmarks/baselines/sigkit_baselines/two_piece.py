"""Peak sample, and the continuous two-piece straight-line fit for the end of the burn."""

from __future__ import annotations

from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from sigkit.types.channel import Channel
from sigkit.types.firings import Firings
from sigkit.types.instants import Instants
from sigkit_baselines.half_level import half_level_crossings
from sigkit_baselines.plain_instants import locate_by
from sigkit_baselines.signed_windows import SignedWindows

#: Time behind the peak in which the collapse rings, seconds (our choice).
_SETTLE_S = 20e-6
#: Reach of the first window in front of the half-level fall, seconds (our choice: two quarter swings of slow rings).
_LEAD_S = 200e-6
#: Windows that follow, in reaches of the last one (our choice).
_NARROWING = (3.0, 2.0, 1.5, 1.0, 1.0)


class WholeWindowTwoPiece:
    """The fit over everything behind the peak: not told where to look."""

    name = "baseline_two_piece_whole"
    states_uncertainty = False

    def locate(self, channel: Channel, firings: Firings) -> Instants:
        """Return the instants of the firings of one channel."""
        return locate_by(_whole, channel, firings)


class NearTwoPiece:
    """The fit in front of the half-level fall, then in narrowing windows about its last answer.

    Parameters
    ----------
    reach_s : float
        Reach of the last window behind the answer, seconds; three times as much before it.
    """

    name = "baseline_two_piece_near"
    states_uncertainty = False
    tunable: ClassVar[dict[str, tuple[float, ...]]] = {"reach_s": (3e-6, 5e-6, 8e-6, 12e-6, 18e-6)}

    def __init__(self, reach_s: float = 8e-6) -> None:
        self.reach_s = reach_s

    def locate(self, channel: Channel, firings: Firings) -> Instants:
        """Return the instants of the firings of one channel."""

        def near(windows: SignedWindows) -> tuple[NDArray, NDArray]:
            _, fall = half_level_crossings(windows)
            low = np.maximum(fall - max(_LEAD_S * windows.rate_Hz, 6.0), windows.peak + 1.0)
            knot = two_piece_knots(windows, low, np.floor(fall) + 1.0)
            for factor in _NARROWING:
                reach = max(factor * self.reach_s * windows.rate_Hz, 2.0)
                again = two_piece_knots(windows, np.maximum(knot - 3 * reach, windows.peak + 1.0), knot + reach)
                knot = np.where(np.isfinite(again), again, knot)
            return windows.peak.astype(float), knot

        return locate_by(near, channel, firings)


def _whole(windows: SignedWindows) -> tuple[NDArray, NDArray]:
    low = windows.peak + max(1.0, _SETTLE_S * windows.rate_Hz)
    return windows.peak.astype(float), two_piece_knots(windows, low, np.full(low.size, np.inf))


def two_piece_knots(windows: SignedWindows, low: NDArray, high: NDArray) -> NDArray[np.float64]:
    """Return the knot of the fit to the columns ``low ... high`` of each row; NaN where they are fewer than 6."""
    result = np.full(low.size, np.nan)
    for row in np.flatnonzero(np.isfinite(low)):
        first = max(int(np.ceil(low[row])), 0)
        last = int(min(np.floor(high[row]) + 1, windows.y.shape[1]))
        y = windows.y[row, first:last]
        y = y[: np.isfinite(y).cumprod().sum()]
        if y.size >= 6:
            result[row] = first + two_piece_knot(y)
    return result


def two_piece_knot(y: NDArray) -> float:
    """Return the knot of the continuous two-piece straight line of least squares, in samples.

    All knots on samples are tried at once by running sums; a parabola through the least refines it.

    Examples
    --------
    >>> x = np.arange(20.0)
    >>> round(two_piece_knot(np.where(x < 8.5, 1.0, 1.0 - (x - 8.5))), 1)
    8.5
    """
    m = y.size
    x = np.arange(m, dtype=float)
    # Behind the line of all samples: what the hinge max(x - k, 0) explains of the residual.
    xc = x - x.mean()
    slope = (xc @ y) / (xc @ xc)
    r = y - y.mean() - slope * xc
    k = np.arange(1, m - 1)
    n = m - 1 - k  # samples behind the knot
    hinge_sum = n * (n + 1) / 2.0
    hinge_square = n * (n + 1) * (2 * n + 1) / 6.0
    # Sum over x > k of (x - k) * (x - mean).
    hinge_x = hinge_square + (k - x.mean()) * hinge_sum
    tail = np.cumsum(r[::-1])[::-1]
    hinge_r = np.cumsum(tail[::-1])[::-1][k + 1]
    rest = hinge_square - hinge_sum**2 / m - hinge_x**2 / (xc @ xc)
    gain = np.where(rest > 1e-9, hinge_r**2 / np.maximum(rest, 1e-9), 0.0)
    best = int(np.clip(gain.argmax(), 1, k.size - 2)) if k.size > 2 else 0
    shift = 0.0
    if 0 < best < k.size - 1:
        a, b, c = gain[best - 1 : best + 2]
        bend = a - 2 * b + c
        shift = float(np.clip(0.5 * (a - c) / bend, -1.0, 1.0)) if bend < 0 else 0.0
    return float(k[best]) + shift
