"""The built-in locator: rise and collapse, then the end of the burn, by small networks with stored weights."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sigkit.locate.answer_features import answer_features
from sigkit.locate.conduction_intervals import list_intervals
from sigkit.locate.edge_correction import edge_shifts
from sigkit.locate.end_choice import choose_ends
from sigkit.locate.end_network import likely_ends
from sigkit.locate.fine_ends import fine_ends
from sigkit.locate.first_look import first_look
from sigkit.locate.rough_windows import RoughWindows
from sigkit.locate.spark_state import judge_spark
from sigkit.locate.stated_errors import half_widths
from sigkit.prepare.block_summary import summarise_blocks
from sigkit.prepare.channel_condition import ChannelCondition, condition_channel
from sigkit.prepare.settled_level import settled_level
from sigkit.types.channel import Channel
from sigkit.types.firings import Firings
from sigkit.types.flags import OK, missing
from sigkit.types.instants import Instant, Instants, Intervals

#: A second end this likely against the first widens the interval (our choice: half of 5 %).
RIVAL_CHANCE = 0.025
#: What errors of breakdown and burn_end have in common, since one recorder delays both and what is taken off for it is
#: not exact: a share of the smaller one's variance (found on 14,000 firings of simulated engines).
IN_COMMON = 1.0 / 3.0
#: 97.5 % quantile of the normal distribution (JCGM 100:2008, table G.1 gives 1.96).
TWO_SIDED_95 = 1.96
#: Firings worked on at once (our choice: windows of 5 MS/s stay within 200 MB).
BATCH = 128
#: Shorter records are not judged: the shape of an edge is read on some ten samples about it (our choice).
FEWEST_SAMPLES = 10


class InstantNetworksLocator:
    """Locate the instants of given firings, batched.

    One network tells which rise is the firing's; rise and collapse are read there at the full rate and freed of
    what the recorder delays them by. The end of the burn is sought on windows reduced to at most 500 kS/s and freed
    of ripple: a network names likely places, another judges them column by column, a third chooses among them, a
    fourth tells spark from none, a fifth how far off each instant may be.
    """

    name = "instant_networks"
    invariances = ("shift", "gain", "inversion", "offset")

    def locate(self, channel: Channel, firings: Firings) -> Instants:
        """Return the instants of the firings of one channel, row by row."""
        if len(firings) == 0:
            return _nothing(channel, 0, "not_judged")
        if channel.kind == "synchronising_pulse":
            return _nothing(channel, len(firings), "wrong_channel")
        if len(channel) < FEWEST_SAMPLES:
            return _nothing(channel, len(firings), "not_judged")
        blocks = summarise_blocks(channel)
        if blocks.minimum.min() == blocks.maximum.max():
            return _nothing(channel, len(firings), "not_visible")
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
    look = first_look(channel, firings, condition, around)
    rough, found = look.rough, look.found
    coil_on = _coil_on(rough, channel)
    if channel.kind == "coil_current":
        off = Instant(*_numbers(firings.position.astype(float), np.full(n, 1.0)), _flags(np.ones(n, bool), "ok"))
        gone = _missing(n, "wrong_channel")
        return Instants(channel.name, coil_on, off, gone, gone, np.full(n, "unknown", dtype=object), _no_intervals())
    primary, rate = channel.kind == "primary_voltage", channel.sample_rate_Hz
    shift = edge_shifts(look, rate, condition.noise, primary)
    likely = likely_ends(look)
    fine = fine_ends(look, likely, shift[0] / rough.factor, primary)
    chosen = choose_ends(look, likely, fine, primary)
    features = answer_features(look, likely, chosen, shift, rate, condition.noise, condition.step, primary)
    half = half_widths(features, rate)
    breakdown = look.origin + found.breakdown - shift[0]
    burn_end = rough.to_samples(chosen.column)
    coil_off = np.minimum(look.origin + found.coil_off - shift[1], breakdown)
    spark, cut = judge_spark(features, (burn_end - breakdown) / rate)
    conducts = (spark == "yes") | (spark == "flash")
    limits = (condition.clip_low, condition.clip_high)
    reason = np.where(~conducts, "no_spark", np.where(_clipped(channel, breakdown, limits), "clipped", "ok"))
    end_reason = np.where(
        ~conducts, "no_spark", np.where(cut, "cut_end", np.where(_clipped(channel, burn_end, limits), "clipped", "ok"))
    )
    breakdown_instant = _instant(breakdown, half[:, 0] / TWO_SIDED_95, reason)
    end = _instant(burn_end, half[:, 2] * rough.factor / TWO_SIDED_95, end_reason)
    _widen(end, rough.to_samples(chosen.rival), chosen.rival_share)
    off = _instant(coil_off, half[:, 1] / TWO_SIDED_95, np.where(coil_off > 1.0, "ok", "cut_start"))
    intervals = list_intervals(rough, breakdown_instant, end, found.early_level, look.column_noise)
    return Instants(channel.name, coil_on, off, breakdown_instant, end, spark, intervals, IN_COMMON)


def _widen(end: Instant, rival: NDArray, chance: NDArray) -> None:
    """Where another end is nearly as likely, the interval covers both and the uncertainty their distance."""
    two = np.flatnonzero(np.isfinite(end.position) & (chance > RIVAL_CHANCE) & np.isfinite(rival))
    end.u[two] = np.hypot(end.u[two], np.sqrt(chance[two] * (1 - chance[two])) * np.abs(end.position - rival)[two])
    end.lo[two] = np.minimum(end.lo[two], rival[two])
    end.hi[two] = np.maximum(end.hi[two], rival[two])


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
    return value, u, value - TWO_SIDED_95 * u, value + TWO_SIDED_95 * u


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
        name, instant("coil_on"), instant("coil_off"), instant("breakdown"), instant("burn_end"), sparked, joined,
        parts[0].in_common,
    )
