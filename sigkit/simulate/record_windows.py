"""From the waveforms of events to the records of one input, before the recorder disturbs them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sigkit.simulate.event_waveforms import EventWaveforms
from sigkit.simulate.instrument import Instrument
from sigkit.simulate.pickup import Pickup, high_pass

#: Most fine samples worked on at once (our choice: 32 MB an array).
_BLOCK_SAMPLES = 4_000_000

#: Over how long the end of an event's waveform is faded out, seconds (our choice).
_FADE_S = 0.5e-3


@dataclass(frozen=True, eq=False)
class RecordClock:
    """Sample clock of k records of one input.

    Attributes
    ----------
    start_s : ndarray, shape (k,)
        Engine time of sample 0 of each record.
    sample_rate_Hz : float
    count : int
        Samples a record.
    """

    start_s: NDArray[np.float64]
    sample_rate_Hz: float
    count: int

    @property
    def stop_s(self) -> NDArray[np.float64]:
        """Engine time of the last sample of each record."""
        return self.start_s + (self.count - 1) / self.sample_rate_Hz


def fine_step_s(instrument: Instrument) -> float:
    """Return the step of the uniform grid windows are computed on.

    A tenth of the reciprocal bandwidth, at most half a sample, between 0.1 and 1 us (our choice).
    """
    wanted = min(0.1 / instrument.bandwidth_Hz, 0.5 / instrument.sample_rate_Hz)
    return float(np.clip(wanted, 0.1e-6, 1e-6))


def record_signal(
    waveforms: EventWaveforms,
    rows: NDArray,
    signals: NDArray,
    off_s: NDArray,
    kink_s: NDArray,
    rest: NDArray,
    clock: RecordClock,
    pickup: Pickup,
    instrument: Instrument,
    period_s: float,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Record one input: pickup, front end and sample clock.

    The grid of each event lies so that its kink (breakdown) falls midway between two grid points: a
    straight line between them is then centred on the instant itself.

    Parameters
    ----------
    waveforms : EventWaveforms
    rows : ndarray of int, shape (r,)
        Events this input shows, in time order.
    signals : ndarray of str, shape (r,)
        Which signal of each event.
    off_s : ndarray, shape (r,)
        Engine time of each event's coil_off.
    kink_s : ndarray, shape (r,)
        Instant of breakdown from coil_off on, NaN for none.
    rest : ndarray, shape (r,)
        Value at rest, taken off before and added again (its mean) behind the pickup.
    clock : RecordClock
    pickup : Pickup
    instrument : Instrument
    period_s : float
        Between two events of this input: for the tails of events before the records begin.

    Returns
    -------
    records : ndarray, shape (k, count)
        At the recorder's input.
    peak : ndarray, shape (r,)
        Largest excursion of each event from rest, signed, in units of the circuit.
    """
    total = np.zeros(clock.start_s.size * clock.count)
    peak = np.zeros(rows.size)
    tail = np.zeros(rows.size)
    tail_at_s = np.zeros(rows.size)
    step = fine_step_s(instrument)
    constant = pickup.time_constant_s
    if rows.size:
        before = -waveforms.start_s[rows].min()
        length = before + waveforms.stop_s[rows].max() + 30.0 * instrument.delay_s
        fine = int(np.ceil(length / step)) + 2
        low_pass = instrument.front_end(step)
        kink = np.where(np.isfinite(kink_s), kink_s, 0.0)
        begin = kink - (np.ceil((before + kink) / step) + 0.5) * step
        block = max(1, _BLOCK_SAMPLES // fine)
        for first in range(0, rows.size, block):
            part = slice(first, first + block)
            window = _windows(waveforms, rows[part], signals[part], begin[part], step, fine, rest[part])
            largest = np.abs(window).argmax(axis=1)
            peak[part] = np.take_along_axis(window, largest[:, None], axis=1)[:, 0]
            window, tail[part] = _through(window, step, low_pass, constant)
            tail_at_s[part] = off_s[part] + begin[part] + (fine - 1) * step
            _place(total, window, off_s[part] + begin[part], step, clock)
    records = total.reshape(clock.start_s.size, clock.count)
    if np.isfinite(constant) and rows.size:
        records += _tails(tail, tail_at_s, clock, constant, period_s)
    baseline = float(rest.mean()) if rows.size else 0.0
    if np.isfinite(constant):
        baseline = 0.0
    return (records + baseline) * pickup.gain, peak


def _windows(
    waveforms: EventWaveforms, rows: NDArray, signals: NDArray, begin: NDArray, step: float, fine: int,
    rest: NDArray,
) -> NDArray[np.float64]:
    """Return the events on their fine grids, less their rest, faded out where the integration stopped."""
    window = np.empty((rows.size, fine))
    for signal in np.unique(signals):
        own = signals == signal
        window[own] = waveforms.on_grid(str(signal), begin[own], step, fine, rows[own])
    window -= rest[:, None]
    stop = waveforms.stop_s[rows]
    first = max(0, int((stop.min() - _FADE_S - begin.max()) / step) - 1)
    left = (stop - begin)[:, None] - np.arange(first, fine) * step
    window[:, first:] *= 0.5 - 0.5 * np.cos(np.pi * np.clip(left / _FADE_S, 0.0, 1.0))
    return window


def _through(
    window: NDArray, step: float, low_pass: tuple[NDArray, NDArray], constant: float
) -> tuple[NDArray, NDArray]:
    from scipy.signal import lfilter

    return high_pass(lfilter(*low_pass, window, axis=1), step, constant)


def _place(total: NDArray, window: NDArray, begin_s: NDArray, step: float, clock: RecordClock) -> None:
    """Add windows to the records they overlap, by straight lines between fine samples."""
    fine = window.shape[1]
    end_s = begin_s + (fine - 1) * step
    event, record = np.nonzero((begin_s[:, None] < clock.stop_s) & (end_s[:, None] > clock.start_s))
    if event.size == 0:
        return
    rate = clock.sample_rate_Hz
    first = np.maximum(np.ceil((begin_s[event] - clock.start_s[record]) * rate), 0).astype(np.int64)
    count = min(clock.count, int((fine - 1) * step * rate) + 1)
    block = max(1, _BLOCK_SAMPLES // count)
    for at in range(0, event.size, block):
        part = slice(at, at + block)
        sample = first[part, None] + np.arange(count)
        time = clock.start_s[record[part], None] + sample / rate
        position = (time - begin_s[event[part], None]) / step
        usable = (sample < clock.count) & (position >= 0) & (position < fine - 1)
        left = np.clip(position.astype(np.int64), 0, fine - 2)
        share = position - left
        row = event[part, None]
        value = window[row, left] * (1.0 - share) + window[row, left + 1] * share
        place = (record[part, None] * clock.count + sample)[usable]
        low, high = int(place.min(initial=0)), int(place.max(initial=-1)) + 1
        if high > low:
            total[low:high] += np.bincount(place - low, weights=value[usable], minlength=high - low)


def _tails(
    tail: NDArray, tail_at_s: NDArray, clock: RecordClock, constant: float, period_s: float
) -> NDArray[np.float64]:
    """Return what the high-pass still gives out behind the windows.

    Events before the first are taken as repeats of the mean one, a period apart: the engine was running
    before the record began.
    """
    from scipy.signal import lfilter

    rate = clock.sample_rate_Hz
    # Sum of all events before the first, at the instant of the last of them. Kept apart from its decay: for a
    # short constant the one alone underflows and the other overflows.
    before = tail.mean() / -np.expm1(-period_s / constant)
    impulses = np.zeros((clock.start_s.size, clock.count))
    for record, start in enumerate(clock.start_s):
        position = (tail_at_s - start) * rate
        past = position <= 0
        impulses[record, 0] += np.sum(tail[past] * np.exp(position[past] / (rate * constant)))
        # Seen from the first event the sum of all earlier ones rises backwards in time without bound, so
        # ahead of it the steady level of the middle of a period is used.
        since = max(start - tail_at_s[0], -0.5 * period_s)
        impulses[record, 0] += before * np.exp(-(period_s + since) / constant)
        inside = (position > 0) & (position < clock.count - 1)
        sample = np.ceil(position[inside]).astype(np.int64)
        late = (sample - position[inside]) / (rate * constant)
        np.add.at(impulses[record], sample, tail[inside] * np.exp(-late))
    keep = np.exp(-1.0 / (rate * constant))
    return lfilter([1.0], [1.0, -keep], impulses, axis=1)
