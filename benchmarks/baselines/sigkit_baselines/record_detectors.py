"""Detectors that run over the whole record: amplitude, prominence, derivative, matched filter."""

from __future__ import annotations

from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from sigkit.detect.event_numbers import number_events
from sigkit.types.capture import Capture
from sigkit.types.channel import Channel
from sigkit.types.firings import Firings

#: Refractory time: nothing is a firing this long after one, seconds (our choice: longer than the repeat
#: strikes of one firing follow each other, shorter than a working cycle of a lead at 6000 turns a minute).
REFRACTORY_S = 5e-3
#: Window before and behind, seconds (our choice, as sigkit's own).
BEFORE_S, AFTER_S = 12e-3, 14e-3
#: Template of the matched filter: a spike of 40 us and a burn line of a quarter of its height for 1.5 ms (both
#: within the figures for firings in good order; common practice, no source), at this rate.
SPIKE_S, BURN_S, BURN_SHARE, TEMPLATE_RATE_HZ = 40e-6, 1.5e-3, 0.25, 100e3


class _RecordDetector:
    """What the four share: one answer a channel from a score a sample."""

    name = ""
    tunable: ClassVar[dict[str, tuple[float, ...]]] = {"threshold": (0.1, 0.2, 0.3, 0.4, 0.5, 0.6)}

    def __init__(self, threshold: float = 0.3) -> None:
        self.threshold = threshold

    def detect(self, capture: Capture) -> list[Firings]:
        """Return one `Firings` for each channel, in the order of ``capture.channels``."""
        found = [self._find(channel) for channel in capture.channels]
        times = [c.start_s + p / c.sample_rate_Hz for c, (p, _) in zip(capture.channels, found, strict=True)]
        events = number_events(times)
        return [
            _firings(channel, position, polarity, event)
            for channel, (position, polarity), event in zip(capture.channels, found, events, strict=True)
        ]

    def _find(self, channel: Channel) -> tuple[NDArray[np.int64], int]:
        none = np.zeros(0, dtype=np.int64)
        if len(channel) < 16 or channel.kind in ("coil_current", "synchronising_pulse"):
            return none, 0
        y = channel.values()
        y -= np.median(y)
        top = float(np.abs(y).max())
        if top <= 0:
            return none, 0
        # Firing lines point where the tallest excursion points.
        sign = 1 if y.max() >= -y.min() else -1
        return self._positions(y * sign, channel.sample_rate_Hz), sign

    def _positions(self, y: NDArray, rate_Hz: float) -> NDArray[np.int64]:
        raise NotImplementedError


class AmplitudeThreshold(_RecordDetector):
    """First sample above a share of the tallest excursion, then a refractory time."""

    name = "baseline_amplitude_threshold"

    def _positions(self, y: NDArray, rate_Hz: float) -> NDArray[np.int64]:
        return refractory(np.flatnonzero(y >= self.threshold * y.max()), round(REFRACTORY_S * rate_Hz))


class ProminentPeaks(_RecordDetector):
    """`scipy.signal.find_peaks` with a least prominence, a share of the tallest excursion."""

    name = "baseline_find_peaks"

    def _positions(self, y: NDArray, rate_Hz: float) -> NDArray[np.int64]:
        from scipy.signal import find_peaks

        least = self.threshold * float(y.max())
        # The height gates the costly prominence; a window bounds it.
        found, _ = find_peaks(
            y, height=0.5 * least, distance=max(1, round(REFRACTORY_S * rate_Hz)), prominence=least,
            wlen=max(3, round(2e-3 * rate_Hz)),
        )  # fmt: skip
        return np.asarray(found, dtype=np.int64)


class DerivativeThreshold(_RecordDetector):
    """First steep change, a share of the steepest of the record, then a refractory time."""

    name = "baseline_derivative_threshold"

    def _positions(self, y: NDArray, rate_Hz: float) -> NDArray[np.int64]:
        span = max(1, round(8e-6 * rate_Hz))
        change = np.abs(y[span:] - y[:-span])
        return refractory(np.flatnonzero(change >= self.threshold * change.max()), round(REFRACTORY_S * rate_Hz))


class MatchedFilter(_RecordDetector):
    """Correlation with a drawn firing; peaks of at least a share of the record's best match."""

    name = "baseline_matched_filter"

    def _positions(self, y: NDArray, rate_Hz: float) -> NDArray[np.int64]:
        from scipy.signal import find_peaks, oaconvolve

        factor = max(1, int(rate_Hz // TEMPLATE_RATE_HZ))
        z = y[: y.size // factor * factor].reshape(-1, factor).mean(axis=1)
        rate = rate_Hz / factor
        rest, spike, burn = (max(1, round(s * rate)) for s in (0.5e-3, SPIKE_S, BURN_S))
        template = np.concatenate([np.zeros(rest), np.ones(spike), np.full(burn, BURN_SHARE)])
        template -= template.mean()
        if z.size < template.size:
            return np.zeros(0, dtype=np.int64)
        match = oaconvolve(np.pad(z, template.size, mode="edge"), template[::-1], mode="valid")[
            : z.size + template.size
        ]
        found, _ = find_peaks(
            match, height=self.threshold * float(match.max()), distance=max(1, round(REFRACTORY_S * rate))
        )
        position = (found - template.size + rest) * factor
        return position[(position >= 0) & (position < y.size)].astype(np.int64)


def refractory(positions: NDArray, dead: int) -> NDArray[np.int64]:
    """Return the positions that do not follow a kept one within ``dead`` samples.

    Examples
    --------
    >>> refractory(np.array([1, 2, 9, 12, 30]), 10).tolist()
    [1, 12, 30]
    """
    kept, last, at = [], -1, 0
    while at < positions.size:
        last = int(positions[at])
        kept.append(last)
        at = int(np.searchsorted(positions, last + dead, side="right"))
    return np.array(kept, dtype=np.int64)


def _firings(channel: Channel, position: NDArray, polarity: int, event: NDArray) -> Firings:
    before, after = round(BEFORE_S * channel.sample_rate_Hz), round(AFTER_S * channel.sample_rate_Hz)
    return Firings(
        channel.name, position, np.maximum(position - before, 0), np.minimum(position + after, len(channel)),
        np.full(position.size, polarity, dtype=np.int8), event,
    )  # fmt: skip
