"""Windows of many firings as 2-D arrays, voltages relative to the baseline, droop undone."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any
from weakref import WeakKeyDictionary, ref

import numpy as np
from numpy.typing import NDArray

from sigkit.measure.dwell_droop import settle_droop, weigh_dwell_droop
from sigkit.measure.mains_hum import hum_at, learn_hum
from sigkit.measure.noise_correlation import noise_correlation
from sigkit.measure.quick_droop import MOST_FIRINGS, quick_droop, told_droop
from sigkit.measure.ripple import find_ripple, remove_ripple
from sigkit.measure.settled_wander import WANDER_BLOCK_S, settled_wander
from sigkit.measure.tail_droop import tail_droop
from sigkit.measure.take_columns import take_columns
from sigkit.measure.window_batch import WindowBatch
from sigkit.prepare.channel_condition import ChannelCondition
from sigkit.prepare.droop import undo_droop
from sigkit.prepare.median import row_median
from sigkit.types.channel import Channel
from sigkit.types.firings import Firings
from sigkit.types.instants import Instants

#: Stretch before coil_on (or after the ring) whose median is the baseline, seconds (our choice).
BASELINE_S = 1.0e-3
#: Time after burn_end (or after coil_off without a spark) from which the ring has settled (our choice: rings
#: are at 3-20 kHz with a damping ratio of 0.05-0.15 by common practice, so over within 2 ms), seconds.
SETTLED_AFTER_S = 2.5e-3
#: The later look at a pickup's tail begins at this time after burn_end (charge left on the floating ends of
#: simulated shared coils has drained by then) and reaches this far beyond the window, seconds (our choice).
LATE_AFTER_S, LATE_S = 7e-3, 15e-3
#: Hum is sought where settled levels wander by more than this many times what noise does to one (our choice).
LEAST_HUM = 4.0
#: Standard uncertainty of a droop rate that the profile gives, as a share (our choice: parts of five per cent).
KNOWN_U = 0.05
#: Fewest samples that make a baseline (our choice), and most samples of one batch of windows.
FEWEST = 4
BATCH_SAMPLES = 3_000_000
#: What is learnt of a channel, kept for instants still in use with what it was learnt from: the measurement and the
#: shapes ask for the same.
_LEARNT_NAMES = (
    "correlation", "droop_rate", "droop_rate_u", "offset", "wander", "wander_per_ms", "ripple_Hz", "hum_Hz",
    "hum",
)  # fmt: skip
_LEARNT: WeakKeyDictionary[
    Instants, tuple[ref[Channel], ref[Firings], ChannelCondition, dict[str, Any]]
] = WeakKeyDictionary()


class FiringWindows:
    """Windows of the firings of one channel, batch by batch.

    Parameters
    ----------
    channel : Channel
    firings : Firings
    instants : Instants
        Row by row those of ``firings``.
    condition : ChannelCondition
        Noise, step and limits of the channel.

    Attributes
    ----------
    noise : float
        Standard deviation of one sample, unit of the channel.
    correlation : float
        See `noise_correlation`.
    droop_rate, droop_rate_u : float
        1 / time constant of the pickup, 1/s; 0 where no droop shows.
    ripple_Hz : float
        Frequency of a steady oscillation that was taken out, 0 for none.
    hum_Hz : float
        Frequency of the mains' hum that was taken out, 0 for none.
    hum : ndarray, shape (n, 2)
        Its cosine and sine at each firing.
    wander, wander_per_ms : float
        Standard deviation of the difference of two settled levels some milliseconds apart (ripple, drift,
        hum), unit of the channel, and of its change within a millisecond.
    """

    def __init__(
        self, channel: Channel, firings: Firings, instants: Instants, condition: ChannelCondition
    ) -> None:
        self.channel, self.firings, self.instants, self.condition = channel, firings, instants, condition
        self.noise = condition.noise
        self.interval_s = 1.0 / channel.sample_rate_Hz
        self._bounds()
        self.correlation, self.droop_rate, self.droop_rate_u, self.offset = 1.0, 0.0, 0.0, np.nan
        self.wander, self.wander_per_ms, self.ripple_Hz, self.hum_Hz = 0.0, 0.0, 0.0, 0.0
        self.hum = np.zeros((len(firings), 2))
        known = _LEARNT.get(instants)
        if known is not None and known[0]() is channel and known[1]() is firings and known[2] == condition:
            self.__dict__.update(known[3])
            return
        self._learn()
        learnt = {name: getattr(self, name) for name in _LEARNT_NAMES}
        _LEARNT[instants] = ref(channel), ref(firings), condition, learnt

    def _bounds(self) -> None:
        """Choose each window: a stretch before coil_on up to the next firing or the detector's end."""
        rate, length = self.channel.sample_rate_Hz, len(self.channel)
        on, off = self.instants.coil_on.position, self.instants.coil_off.position
        position = self.firings.position.astype(float)
        self.off = np.where(np.isfinite(off), off, position)
        begin = np.fmin(self.firings.start.astype(float), on - 1.2 * BASELINE_S * rate)
        following = np.full(len(position), float(length))
        if len(position) > 1:
            # The next firing begins at its coil_on; where that is not known, well before its coil_off.
            bound = np.where(np.isfinite(on), on - 2, self.firings.start.astype(float))
            following[:-1] = np.maximum(bound[1:], self.off[:-1] + 1)
        self.following = np.clip(following, 0, length)
        latest = np.fmax(self.instants.burn_end.position, self.off)
        end = np.minimum(np.maximum(self.firings.stop.astype(float), latest + 6e-3 * rate), following)
        ended = np.concatenate([[0.0], np.fmax(self.instants.burn_end.position, self.off)[:-1]])
        self.begin = np.clip(np.floor(np.maximum(begin, np.minimum(ended + 1, self.off))), 0, length).astype(np.int64)
        self.end = np.clip(np.ceil(np.maximum(end, latest + 2)), 0, length).astype(np.int64)

    def _raw(self, rows: NDArray, until: NDArray | None = None) -> tuple[NDArray, NDArray]:
        end = self.end if until is None else until
        first, width = self.begin[rows], int(np.max(end[rows] - self.begin[rows], initial=1))
        stored = np.full((len(rows), width), np.nan)
        for into, begin, stop in zip(stored, first.tolist(), end[rows].tolist(), strict=True):
            part = self.channel.samples[begin:stop]
            into[: len(part)] = part
        stored -= self.channel.zero
        stored *= self.channel.scale
        return stored, first

    def _columns(self, rows: NDArray, first: NDArray) -> tuple[NDArray, NDArray, NDArray, NDArray]:
        found = self.instants
        return (
            found.coil_on.position[rows] - first, self.off[rows] - first,
            found.breakdown.position[rows] - first, found.burn_end.position[rows] - first,
        )

    def _before(self, rows: NDArray, first: NDArray, value: NDArray) -> NDArray:
        """Cut the stretch before coil_on out, as far as nothing of the firing before reaches in."""
        span = BASELINE_S * self.channel.sample_rate_Hz
        on = self.instants.coil_on.position
        guard = np.minimum(2.0 + 2.0 * np.nan_to_num(self.instants.coil_on.u[rows]), 0.5 * span)
        ended = np.concatenate([[-np.inf], np.fmax(self.instants.burn_end.position, self.off)[:-1]])
        earliest = ended[rows] + SETTLED_AFTER_S * self.channel.sample_rate_Hz
        stop = on[rows] - guard
        begin = np.maximum(np.maximum(stop - span, earliest), first)
        return take_columns(value, begin - first, stop - first)

    def _after_bounds(self, rows: NDArray, first: NDArray) -> tuple[NDArray, NDArray]:
        """Return the columns between which the ring is over."""
        rate = self.channel.sample_rate_Hz
        over = np.where(np.isfinite(self.instants.burn_end.position), self.instants.burn_end.position, np.nan)
        dark = self.instants.sparked == "no"
        over = np.where(dark, self.off + 1.5e-3 * rate, over)
        strikes = self.instants.intervals
        later = np.full(len(over), -np.inf)
        np.maximum.at(later, strikes.firing, np.nan_to_num(strikes.stop, nan=-np.inf))
        over = np.maximum(over, later)
        return over[rows] + SETTLED_AFTER_S * rate - first, (self.end[rows] - first).astype(float)

    def _learn(self) -> None:
        """Learn what belongs to the channel: noise correlation, offset, droop."""
        n = len(self.firings)
        if n == 0:
            return
        chosen = np.unique(np.linspace(0, n - 1, min(n, 48)).astype(np.int64))
        value, first = self._raw(chosen)
        before = self._before(chosen, first, value)
        begin, end = self._after_bounds(chosen, first)
        after = take_columns(value, begin, end)
        level = row_median(before)
        self.correlation = noise_correlation(before)
        calm = self._calm(chosen, first, value, begin, end)
        self.ripple_Hz = find_ripple(value, calm, self.interval_s)
        value = self._without_ripple(value, calm)
        self._learn_wander(chosen, first, value, begin, end)
        if self.wander > LEAST_HUM * self.noise * np.sqrt(self.correlation * self.interval_s / WANDER_BLOCK_S):
            self.hum_Hz, self.hum = learn_hum(self._for_hum, self.begin * self.interval_s, self.interval_s)
        value = self._without_hum(value, first, chosen)
        if self.ripple_Hz or self.hum_Hz:
            before, after = self._before(chosen, first, value), take_columns(value, begin, end)
            level = row_median(before)
            self._learn_wander(chosen, first, value, begin, end)
        # The offset behind the pickup: what settled stretches show on the whole.
        source = level if np.isfinite(level).any() else row_median(after[:, -max(after.shape[1] // 3, 1) :])
        self.offset = float(np.nanmedian(source)) if np.isfinite(source).any() else np.nan
        if self.channel.pickup_time_constant_s is not None:
            self.droop_rate = 1.0 / self.channel.pickup_time_constant_s
            self.droop_rate_u = KNOWN_U * self.droop_rate
            return
        if self._learn_quick(chosen, first, value - np.where(np.isfinite(level), level, self.offset)[:, None]):
            return
        whole = np.isfinite(level) & (np.isfinite(after).sum(axis=1) >= 8)
        if not whole.any():
            self._learn_from_dwell(chosen, first, value - level[:, None], np.isfinite(level))
            return
        own = chosen[whole]
        if self._learn_from_tail((value - level[:, None])[whole], own, begin[whole], end[whole]):
            return
        # Charge left on the floating ends of a shared coil spoils the early tail: look later, as far as the
        # next firing lets one.
        rate_Hz = self.channel.sample_rate_Hz
        until = np.clip(self.following, self.end, self.end + LATE_S * rate_Hz).astype(np.int64)
        longer, start = self._raw(own, until)
        longer = self._without_hum(longer, start, own)
        later = begin[whole] + (LATE_AFTER_S - SETTLED_AFTER_S) * rate_Hz
        if self._learn_from_tail(longer - level[whole, None], own, later, (until[own] - start).astype(float)):
            return
        self._learn_from_dwell(chosen, first, value - level[:, None], whole)

    def _learn_quick(self, chosen: NDArray, first: NDArray, rows: NDArray) -> bool:
        """Take the droop of a quick pickup; tell whether it is one."""
        known = np.isfinite(rows).any(axis=1)
        if not known.any():
            return False
        rows = rows[known]
        _, _, breakdown, burn_end = self._columns(chosen[known], first[known])
        # The locator looks at neighbours as well, so it is asked of firings that follow each other.
        n = len(self.firings)
        asked = np.arange(max(0, (n - MOST_FIRINGS) // 2), min(n, (n + MOST_FIRINGS) // 2))
        value, start = self._raw(asked)
        _, off, gone, _ = self._columns(asked, start)
        # From the last samples of the dwell to behind the collapse: where the firing line points.
        rise = take_columns(value, off - 2, gone + 3)
        told = told_droop(self.channel, self.firings, asked, rise, self.condition, self.offset)
        self.droop_rate, self.droop_rate_u = quick_droop(told, rows, breakdown, burn_end, self.interval_s)
        return self.droop_rate > 0

    def _learn_from_dwell(self, chosen: NDArray, first: NDArray, rows: NDArray, usable: NDArray) -> None:
        """Take the droop from the shape of the dwell; a dozen firings tell what there is to tell."""
        some = np.flatnonzero(usable)
        some = some[:: max(1, some.size // 12)]
        on, off, _, _ = self._columns(chosen[some], first[some])
        noise = self.noise * np.sqrt(self.correlation)
        cost = weigh_dwell_droop(rows[some], on, off, self.interval_s, noise)
        self.droop_rate, self.droop_rate_u = settle_droop(cost)

    def _settled_from(self, rows: NDArray, first: NDArray) -> NDArray[np.float64]:
        """Return the column from which nothing of the firing before reaches in."""
        ended = np.concatenate([[-np.inf], np.fmax(self.instants.burn_end.position, self.off)[:-1]])[rows]
        return np.maximum(ended + SETTLED_AFTER_S / self.interval_s - first, 0.0)

    def _calm(self, rows: NDArray, first: NDArray, value: NDArray, begin: NDArray, end: NDArray) -> NDArray[np.bool_]:
        """Return which columns lie in settled stretches, before coil_on or after the ring, shape of ``value``."""
        start = self._settled_from(rows, first)[:, None]
        on = (self.instants.coil_on.position[rows] - first - 2)[:, None]
        column = np.arange(value.shape[1])
        with np.errstate(invalid="ignore"):
            return ((column >= start) & (column < on)) | ((column >= begin[:, None]) & (column < end[:, None]))

    def _for_hum(self, rows: NDArray) -> tuple[NDArray, NDArray, NDArray]:
        """Return windows freed of ripple, their settled stretches and their first samples."""
        value, first = self._raw(rows)
        calm = self._calm(rows, first, value, *self._after_bounds(rows, first))
        return self._without_ripple(value, calm), calm, first

    def _without_ripple(self, value: NDArray, calm: NDArray) -> NDArray:
        return remove_ripple(value, calm, self.interval_s, self.ripple_Hz) if self.ripple_Hz else value

    def _without_hum(self, value: NDArray, first: NDArray, rows: NDArray) -> NDArray:
        if not self.hum_Hz:
            return value
        time_s = (first[:, None] + np.arange(value.shape[1])) * self.interval_s
        return np.asarray(value - hum_at(self.hum[rows], self.hum_Hz, time_s))

    def _learn_wander(self, rows: NDArray, first: NDArray, value: NDArray, begin: NDArray, end: NDArray) -> None:
        """Learn from settled stretches how far two levels lie apart that should be one."""
        on = self.instants.coil_on.position[rows] - first - 2
        start = np.maximum(self._settled_from(rows, first), on - 4e-3 / self.interval_s)
        stretches = [take_columns(value, start, on), take_columns(value, begin, end)]
        self.wander, self.wander_per_ms = settled_wander(stretches, self.interval_s)

    def _learn_from_tail(self, rows: NDArray, own: NDArray, begin: NDArray, end: NDArray) -> bool:
        """Take the droop from settled stretches before the dwell and after the ring; tell whether it shows."""
        on = self.instants.coil_on.position[own] - self.begin[own]
        before = (on - BASELINE_S / self.interval_s, on - 2)
        noise = self.noise * np.sqrt(self.correlation)
        self.droop_rate, self.droop_rate_u = tail_droop(rows, before, (begin, end), self.interval_s, noise)
        return self.droop_rate > 0

    def batches(self) -> Iterator[WindowBatch]:
        """Yield batches of windows of similar length."""
        length = self.end - self.begin
        order = np.argsort(length, kind="stable")
        start = 0
        while start < len(order):
            stop = start + 1
            shortest = max(length[order[start]], 1)
            while (
                stop < len(order) and length[order[stop]] <= 1.5 * shortest
                and (stop - start + 1) * length[order[stop]] <= BATCH_SAMPLES
            ):
                stop += 1
            yield self._batch(np.sort(order[start:stop]))
            start = stop

    def _batch(self, rows: NDArray) -> WindowBatch:
        value, first = self._raw(rows)
        clipped = self._clipped(value)
        begin, end = self._after_bounds(rows, first)
        if self.ripple_Hz:
            value = self._without_ripple(value, self._calm(rows, first, value, begin, end))
        value = self._without_hum(value, first, rows)
        before = self._before(rows, first, value)
        level = row_median(before)
        level = np.where(np.isfinite(before).sum(axis=1) >= FEWEST, level, np.nan)
        level_u = self._level_u(np.isfinite(before).sum(axis=1))
        source = np.where(np.isfinite(level), "before", "none").astype(object)
        zero = np.where(np.isfinite(level), level, self.offset)
        zero = np.where(np.isfinite(zero), zero, 0.0)
        value -= zero[:, None]
        drooping = value
        begin = np.maximum(begin, end - 2 * BASELINE_S * self.channel.sample_rate_Hz)
        if self.droop_rate:
            value = undo_droop(value, self.droop_rate, self.interval_s)
        after = take_columns(value, begin, end)
        enough = np.isfinite(after).sum(axis=1) >= FEWEST
        rest = np.where(enough, row_median(after), np.nan)
        if self.droop_rate:
            # An error of the baseline grows with the integral; both settled ends are known: take it out.
            on = self.instants.coil_on.position[rows] - first
            middle = 0.5 * (begin + end)
            span = np.where(middle > on, middle - on, np.inf)
            share = np.clip((np.arange(value.shape[1]) - on[:, None]) / span[:, None], 0.0, 1.0)
            drift = np.where(np.isfinite(level) & enough, rest, 0.0)[:, None] * np.nan_to_num(share)
            value = value - drift
        late = ~np.isfinite(level) & enough
        if late.any():
            value = value - np.where(late, rest, 0.0)[:, None]
        source[late] = "after"
        level = np.where(late, zero + np.nan_to_num(rest), level)
        level_u = np.where(late, self._level_u(np.isfinite(after).sum(axis=1)), level_u)
        on, off, breakdown, burn_end = self._columns(rows, first)
        # For a level taken after the ring the droop counts backwards from there.
        from_here = (np.where(late, begin, np.nan), np.where(late, end, np.nan))
        return WindowBatch(rows, first, value, clipped, on, off, breakdown, burn_end, level,
                           np.where(np.isfinite(level), level_u, np.nan), source,
                           drooping, from_here, self.droop_rate_u, self.interval_s)

    def _clipped(self, value: NDArray) -> NDArray[np.bool_]:
        """Return which samples are at a limit of the range."""
        low, high = self.condition.clip_low, self.condition.clip_high
        if not np.isfinite([low, high]).any():
            return np.zeros(value.shape, dtype=bool)
        edge = 1e-9 * max(abs(self.condition.step), 1e-300)
        with np.errstate(invalid="ignore"):
            return np.asarray((value <= low + edge) | (value >= high - edge))

    def _level_u(self, count: NDArray) -> NDArray:
        """Return the standard uncertainty of a median of ``count`` samples, quantisation included."""
        step = self.condition.step
        # Variance of a median of normal noise: pi/2 that of a mean (Kendall and Stuart).
        variance = 0.5 * np.pi * self.noise**2 * self.correlation / np.maximum(count, 1)
        # Noise below half a step does not spread a level over codes: then LSB/sqrt(12) is not averaged out.
        return np.sqrt(variance + (step**2 / 12.0 if self.noise < 0.5 * step else 0.0))
