"""The built-in locator: rise, collapse, burn line and the kink at its end."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sigkit.locate.conduction_intervals import list_intervals
from sigkit.locate.find_breakdown import AFTER_S, BEFORE_S, find_breakdown
from sigkit.locate.find_burn_end import find_burn_end
from sigkit.locate.rough_windows import RoughWindows, rough_windows
from sigkit.locate.spark_state import judge_spark
from sigkit.prepare.block_summary import summarise_blocks
from sigkit.prepare.channel_condition import ChannelCondition, condition_channel
from sigkit.prepare.firing_windows import cut_windows
from sigkit.prepare.settled_level import settled_level
from sigkit.types.channel import Channel
from sigkit.types.firings import Firings
from sigkit.types.flags import OK, missing
from sigkit.types.instants import Instant, Instants, Intervals

#: Firings worked on at once (our choice: windows of 5 MS/s stay within 200 MB).
BATCH = 128


class KinkFitLocator:
    """Locate the instants of given firings, batched.

    Breakdown is read at the full rate; the end of the burn is the kink between the burn line and the
    swing into the ring, on windows reduced to at most 500 kS/s.
    """

    name = "kink_fit"

    def locate(self, channel: Channel, firings: Firings) -> Instants:
        """Return the instants of the firings of one channel, row by row."""
        if len(firings) == 0:
            return _nothing(channel, 0, "not_judged")
        if channel.kind == "synchronising_pulse":
            return _nothing(channel, len(firings), "wrong_channel")
        blocks = summarise_blocks(channel)
        condition = condition_channel(channel, blocks)
        level = settled_level(blocks, channel.sample_rate_Hz)
        parts = [
            _locate(channel, _take(firings, slice(begin, begin + BATCH)), condition, blocks.length, level)
            for begin in range(0, len(firings), BATCH)
        ]
        return _join(channel.name, parts)


def _take(firings: Firings, rows: slice) -> Firings:
    return Firings(
        firings.channel, firings.position[rows], firings.start[rows], firings.stop[rows],
        firings.polarity[rows], firings.event[rows],
    )  # fmt: skip


def _locate(
    channel: Channel, firings: Firings, condition: ChannelCondition, block: int, level: NDArray
) -> Instants:
    n = len(firings)
    around = level[np.clip(firings.position // block, 0, level.size - 1)]
    rough = rough_windows(channel, firings, condition.noise, around)
    coil_on = _coil_on(rough, channel)
    if channel.kind == "coil_current":
        off = Instant(*_numbers(firings.position.astype(float), np.full(n, 1.0)), _flags(np.ones(n, bool), "ok"))
        gone = _missing(n, "wrong_channel")
        return Instants(channel.name, coil_on, off, gone, gone, np.full(n, "unknown", dtype=object), _no_intervals())
    interval_s = 1.0 / channel.sample_rate_Hz
    before = round((BEFORE_S + 0.35e-3) / interval_s)
    after = round((AFTER_S + 0.25e-3) / interval_s)
    origin = firings.position - before
    fine = cut_windows(channel, origin, before + after + 1) * rough.sign[:, None] - rough.baseline[:, rough.zero : rough.zero + 1]
    found = find_breakdown(fine, before, interval_s, condition.noise)
    breakdown = origin + found.breakdown
    column_noise = condition.noise / np.sqrt(rough.factor)
    ends = find_burn_end(
        rough.rows, rough.to_columns(breakdown), found.early_level, rough.interval_s, column_noise
    )
    burn_end = rough.to_samples(ends.position)
    spark = judge_spark(rough, found, ends, rough.to_columns(breakdown), channel.sample_rate_Hz, column_noise)
    conducts = (spark == "yes") | (spark == "flash")
    limits = (condition.clip_low, condition.clip_high)
    clipped = _clipped(channel, breakdown, limits) & conducts
    n_samples = len(channel)
    begun = found.coil_off + origin > 1.0
    reason = np.where(~conducts, "no_spark", np.where(clipped, "clipped", "ok"))
    breakdown_instant = _instant(breakdown, found.breakdown_u, reason)
    end_reason = np.where(
        ~conducts, "no_spark",
        np.where(np.isfinite(burn_end), np.where(_clipped(channel, burn_end, limits), "clipped", "ok"), "cut_end"),
    )  # fmt: skip
    at_end = np.nan_to_num(burn_end, nan=0.0) > n_samples - 2
    end_reason = np.where(at_end & conducts, "cut_end", end_reason)
    factor = float(rough.factor)
    end = _instant(burn_end, ends.u * factor, end_reason)
    known = end_reason == "ok"
    end.lo[known] = rough.to_samples(ends.lo)[known]
    end.hi[known] = rough.to_samples(ends.hi)[known]
    off = _instant(origin + found.coil_off, found.coil_off_u, np.where(begun, "ok", "cut_start"))
    intervals = list_intervals(rough, breakdown_instant, end, found.early_level, column_noise)
    return Instants(channel.name, coil_on, off, breakdown_instant, end, spark.astype(object), intervals)


def _coil_on(rough: RoughWindows, channel: Channel) -> Instant:
    position = rough.to_samples(rough.coil_on)
    cut = ~np.isfinite(position) & (rough.origin < -0.25 * rough.factor * rough.zero)
    reason = np.where(np.isfinite(position), "ok", np.where(cut, "cut_start", "not_visible"))
    # Located to about a third of the step's side of 20 us (our choice until the step is fitted).
    u = np.full(position.size, max(1.0, 7e-6 * channel.sample_rate_Hz))
    return _instant(position, u, reason)


def _clipped(channel: Channel, position: NDArray, limits: tuple[float, float]) -> NDArray[np.bool_]:
    """Whether the samples beside a position are at a limit of the range."""
    if not np.isfinite(limits).any():
        return np.zeros(position.size, dtype=bool)
    safe = np.nan_to_num(position, nan=0.0)
    where = np.clip(np.floor(safe)[:, None] + np.arange(0, 2), 0, len(channel) - 1).astype(np.int64)
    values = (np.asarray(channel.samples[where.ravel()], dtype=float) - channel.zero) * channel.scale
    at = (values >= limits[1]) | (values <= limits[0])
    return np.asarray(at.reshape(where.shape).all(axis=1))


def _instant(position: NDArray, u: NDArray, reason: NDArray) -> Instant:
    ok = reason == "ok"
    value = np.where(ok, position, np.nan)
    spread = np.where(ok, u, np.nan)
    return Instant(*_numbers(value, spread), _flags(ok, reason))


def _numbers(value: NDArray, u: NDArray) -> tuple[NDArray, NDArray, NDArray, NDArray]:
    return value, u, value - 1.96 * u, value + 1.96 * u


def _flags(ok: NDArray, reason: NDArray | str) -> NDArray:
    words = np.broadcast_to(np.asarray(reason, dtype=object), ok.shape)
    return np.array([OK if good else missing(word) for good, word in zip(ok, words, strict=True)], dtype=object)


def _missing(n: int, reason: str) -> Instant:
    return _instant(np.full(n, np.nan), np.full(n, np.nan), np.full(n, reason, dtype=object))


def _no_intervals() -> Intervals:
    whole, part = np.zeros(0, dtype=np.int64), np.zeros(0)
    return Intervals(whole, part, part.copy(), part.copy(), part.copy(), whole.copy())


def _nothing(channel: Channel, n: int, reason: str) -> Instants:
    gone = _missing(n, reason)
    return Instants(channel.name, gone, gone, gone, gone, np.full(n, "unknown", dtype=object), _no_intervals())


def _join(name: str, parts: list[Instants]) -> Instants:
    if len(parts) == 1:
        return parts[0]

    def instant(which: str) -> Instant:
        each = [getattr(part, which) for part in parts]
        return Instant(*(np.concatenate([getattr(e, f) for e in each]) for f in ("position", "u", "lo", "hi", "flag")))

    first = np.cumsum([0] + [len(part) for part in parts[:-1]])
    rows = [
        Intervals(p.intervals.firing + shift, p.intervals.start, p.intervals.stop, p.intervals.start_u,
                  p.intervals.stop_u, p.intervals.strike)
        for p, shift in zip(parts, first, strict=True)
    ]  # fmt: skip
    joined = Intervals(
        *(np.concatenate([getattr(r, f) for r in rows])
          for f in ("firing", "start", "stop", "start_u", "stop_u", "strike"))
    )  # fmt: skip
    sparked = np.concatenate([part.sparked for part in parts])
    return Instants(
        name, instant("coil_on"), instant("coil_off"), instant("breakdown"), instant("burn_end"), sparked, joined
    )
