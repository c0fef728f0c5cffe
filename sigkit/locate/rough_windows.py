"""Windows around firings, reduced to a moderate rate, signed, baseline-free and without droop."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sigkit.locate.droop_network import droop_features, droop_rate
from sigkit.prepare.block_means import block_means
from sigkit.prepare.channel_condition import ChannelCondition
from sigkit.prepare.droop import undo_droop
from sigkit.prepare.firing_windows import cut_windows
from sigkit.prepare.median import row_median
from sigkit.prepare.row_parts import row_parts
from sigkit.prepare.running_extreme import running_extreme
from sigkit.prepare.steady_tone import SteadyTone, find_tone
from sigkit.types.channel import Channel
from sigkit.types.firings import Firings

#: Window before and after the onset, seconds (our choice: longest dwell; several repeat strikes).
BEFORE_S = 12e-3
AFTER_S = 12e-3
#: Rate to which faster records are averaged for the rough stage, hertz (our choice: 2 us).
ROUGH_RATE_HZ = 500e3
#: Columns that levels, droop and switching-on are told from, seconds (our choice: nothing there is quicker).
THIN_S = 10e-6
#: Length of the steps' sides when the switching-on is sought, seconds (our choice).
STEP_S = 0.15e-3
#: The beginning of the step is sought this far in front of its middle, and half as far behind, seconds (our choice).
ABOUT_ON_S = 60e-6

#: A coil is switched on again this long behind its last firing at the earliest, or behind this share of the time
#: between the two (our choice: the end of the burn before is a step as well).
OVER_S, OVER_SHARE = 4e-3, 0.5
#: The level in front of a switching-on lies at most so many of its steps from the usual level (our choice: hum may
#: be as large as the step).
MOST_STEPS_AWAY = 3.0
#: A settled level this far from the usual one, as a share of the tallest sample, is a plateau (our choice).
PLATEAU_SHARE = 0.3
#: Droop that is worth undoing where instants are sought, 1/s (our choice: a time constant of 4 ms; a
#: slower one bends no burn line into a kink).
LEAST_DROOP = 250.0


@dataclass(frozen=True, eq=False)
class RoughWindows:
    """Rough windows of n firings of one channel.

    Attributes
    ----------
    rows : ndarray, shape (n, m)
        Signed so that firing lines point up, baseline-free, droop undone; NaN off the record and behind
        the next firing's onset.
    origin : ndarray of int64, shape (n,)
        Sample of column 0 of each row.
    factor : int
        Samples averaged into one column.
    zero : int
        Column of the detector's onset.
    interval_s : float
        Time between columns.
    sign : ndarray of int, shape (n,)
    baseline : ndarray, shape (n,)
        Settled level that was taken off at the onset, channel units, signed like the rows.
    coil_on : ndarray, shape (n,)
        Column of the switching-on, NaN where it does not show.
    droop_rate : float
        1/s; 0 where none could be told.
    droop_evidence : ndarray, shape (n, k)
        What `droop_rate` was told from.
    tone : SteadyTone
        Ripple that was taken off, signed like the rows.
    """

    rows: NDArray[np.float64]
    origin: NDArray[np.int64]
    factor: int
    zero: int
    interval_s: float
    sign: NDArray[np.int64]
    baseline: NDArray[np.float64]
    coil_on: NDArray[np.float64]
    droop_rate: float
    droop_evidence: NDArray[np.float64]
    tone: SteadyTone

    def to_samples(self, column: NDArray) -> NDArray[np.float64]:
        """Convert columns to float sample positions (the middle of the averaged samples)."""
        return self.origin + np.asarray(column, dtype=float) * self.factor + 0.5 * (self.factor - 1)

    def to_columns(self, sample: NDArray) -> NDArray[np.float64]:
        """Convert float sample positions to columns."""
        return (np.asarray(sample, dtype=float) - self.origin - 0.5 * (self.factor - 1)) / self.factor


def rough_windows(
    channel: Channel, firings: Firings, condition: ChannelCondition, level: NDArray, given_droop: float | None = None
) -> RoughWindows:
    """Cut, sign, level and straighten the windows of all firings of a channel.

    Parameters
    ----------
    channel : Channel
    firings : Firings
    condition : ChannelCondition
    level : ndarray, shape (n,)
        Settled level of the record around each firing, channel units.
    given_droop : float, optional
        Droop rate to undo, 1/s; told from the windows by default.

    Returns
    -------
    RoughWindows
    """
    factor = max(1, int(channel.sample_rate_Hz // ROUGH_RATE_HZ))
    interval_s = factor / channel.sample_rate_Hz
    group = max(1, round(THIN_S / interval_s))
    zero = round(BEFORE_S / interval_s / group) * group
    m = zero + round(AFTER_S / interval_s / group) * group
    origin = firings.position - zero * factor
    sign = np.where(firings.polarity < 0, -1, 1).astype(np.int64)
    rows = np.empty((len(firings), m))
    for part in row_parts(len(rows), m * factor):
        raw = cut_windows(channel, origin[part], m * factor)
        np.multiply(block_means(raw, factor) if factor > 1 else raw, sign[part, None], out=rows[part])
    # Behind the next onset stands another firing.
    following = np.append(firings.position[1:], np.iinfo(np.int64).max // 2)
    end = (following - origin) / factor - round(0.1e-3 / interval_s)
    cut = np.flatnonzero(end < m)
    rows[cut] = np.where(np.arange(m) >= end[cut, None], np.nan, rows[cut])
    tone = find_tone(rows, interval_s)
    if tone.frequency_Hz:
        rows = rows - tone.at(np.arange(m) * interval_s)
    # Levels, droop and the switching-on are told from thinned rows.
    thin = block_means(rows, group)
    step_s, thin_zero, noise = interval_s * group, zero // group, condition.noise / np.sqrt(factor * group)
    apart_s = np.diff(firings.position, prepend=firings.position[0] - 1e12) / channel.sample_rate_Hz
    since_s = np.minimum(OVER_S, OVER_SHARE * apart_s) - apart_s
    on = _coil_on(thin, thin_zero, step_s, noise, sign * level, thin_zero + since_s / step_s)
    quiet = _quiet(thin, step_s, noise)
    ramp = _baseline(thin, quiet, on, thin_zero, step_s, sign * level)
    column = (np.arange(m) + 0.5) / group - 0.5
    for part in row_parts(*rows.shape):
        rows[part] -= ramp.at(column, part)
    thin -= ramp.at(np.arange(thin.shape[1]))
    primary = channel.kind == "primary_voltage"
    evidence = droop_features(thin, on, thin_zero, step_s, noise, condition.step, primary)
    rate = droop_rate(evidence) if given_droop is None else given_droop
    rate = rate if rate > LEAST_DROOP else 0.0
    coil_on = _begin_of_step(rows, on * group + 0.5 * (group - 1), interval_s)
    straight = rows
    if rate:
        begin = (_first_settled(on, thin_zero, step_s, thin) - round(1.0e-3 / step_s))[:, None] * group
        started = np.where(np.arange(m)[None, :] < begin, 0.0, rows)
        straight = np.where(np.isfinite(rows), undo_droop(started, rate, interval_s), np.nan)
    baseline = ramp.at(column[zero : zero + 1])[:, 0]
    return RoughWindows(straight, origin, factor, zero, interval_s, sign, baseline, coil_on, rate, evidence, tone)


def _longest_run(marked: NDArray) -> NDArray[np.bool_]:
    """Keep the longest run of marked columns of each row."""
    edges = np.diff(np.pad(marked, ((0, 0), (1, 1))), axis=1)
    # Where a run begins and where it ends take turns.
    row, column = np.divmod(np.flatnonzero(edges), edges.shape[1])
    row, start, stop = row[::2], column[::2], column[1::2]
    order = np.lexsort((start - stop, row))
    rows, first = np.unique(row[order], return_index=True)
    begin, end = np.zeros((2, len(marked), 1), dtype=np.int64)
    begin[rows, 0], end[rows, 0] = start[order[first]], stop[order[first]]
    column = np.arange(marked.shape[1])
    return np.asarray((column >= begin) & (column < end))


def _coil_on(
    rows: NDArray, zero: int, interval_s: float, noise: float, usual: NDArray, earliest: NDArray
) -> NDArray[np.float64]:
    """Find the largest lasting step down, from about the usual level, between a column and the onset."""
    side = max(2, round(STEP_S / interval_s))
    last = zero - max(2, round(0.25e-3 / interval_s))
    k = np.arange(side, last - side)
    if k.size < 3:
        return np.full(rows.shape[0], np.nan)
    known = np.isfinite(rows[:, : last - 1])
    sums = np.zeros((len(rows), last))
    np.cumsum(np.where(known, rows[:, : last - 1], 0.0), axis=1, out=sums[:, 1:])
    # The mean of so many columns that ends, and that begins, at each column k.
    mean = (sums[:, side:] - sums[:, :-side]) / side
    before, behind = mean[:, : k.size], mean[:, side : side + k.size]
    fall = before - behind
    fall[~known[:, : k.size] | (k < earliest[:, None])] = -np.inf
    best = fall.argmax(axis=1)
    height = fall[np.arange(rows.shape[0]), best]
    # A step shows when it stands out of the noise and of the ordinary ups and downs of the row.
    limit = 6.0 * noise * np.sqrt(2.0 / side)
    other = np.where(np.abs(k[None, :] - k[best][:, None]) > 3 * side, fall, -np.inf)
    rival = np.where(np.isfinite(other).any(axis=1), other.max(axis=1), 0.0)
    shows = (height > limit) & (height > 1.5 * rival)
    # A record that begins within the dwell has small steps on its plateau, far from the level of rest.
    shows &= np.abs(before[np.arange(rows.shape[0]), best] - usual) < MOST_STEPS_AWAY * height
    return np.where(shows, k[best].astype(float), np.nan)


def _begin_of_step(rows: NDArray, column: NDArray, interval_s: float) -> NDArray[np.float64]:
    """Place the beginning of steps down, by how long the rows stay above parts of the step's height.

    The coil answers the switch like 1 - cos: a fifth of the height is reached at 37 degrees, half at 60. What one
    firing says of that lag is noisy; the lag is the circuit's, so the median of all firings counts.
    """
    known = np.flatnonzero(np.isfinite(column))
    result = column.copy()
    if known.size == 0:
        return result
    side, early, late = (max(2, round(time_s / interval_s)) for time_s in (STEP_S, ABOUT_ON_S, 0.5 * ABOUT_ON_S))
    middle = np.round(column[known]).astype(np.int64)
    at = np.clip(middle[:, None] + np.arange(-side - early, side + late + 1), 0, rows.shape[1] - 1)
    near = np.take_along_axis(rows[known], at, axis=1)
    high, low = _finite_mean(near[:, :side]), _finite_mean(near[:, -side:])
    # Behind a pickup with a short time constant the step has died away by then.
    soon = _finite_mean(near[:, side + early : side + early + late + 1])
    low = np.where(high - low < 0.5 * (high - soon), soon, low)
    about = near[:, side:-side]

    def stay(part: float) -> NDArray:
        """Return the column of a crossing: so many columns are above it."""
        limit = (high + part * (low - high))[:, None]
        share = np.clip((about - limit) / np.maximum(0.1 * (high - low), 1e-300)[:, None] + 0.5, 0.0, 1.0)
        return np.asarray(middle - early - 0.5 + np.nan_to_num(share, nan=1.0).sum(axis=1))

    half = stay(0.5)
    lag = np.median(half - stay(0.2)) * 60.0 / (60.0 - 36.9)
    good = np.isfinite(high) & np.isfinite(low)
    result[known[good]] = (half - np.clip(lag, 0.0, early))[good]
    return result


def _finite_mean(rows: NDArray) -> NDArray[np.float64]:
    good = np.isfinite(rows)
    count = good.sum(axis=1)
    return np.where(count > 0, np.where(good, rows, 0.0).sum(axis=1) / np.maximum(count, 1), np.nan)


def _quiet(rows: NDArray, interval_s: float, noise: float) -> NDArray[np.bool_]:
    """Mark columns in whose neighbourhood (0.3 ms) the row moves no more than the noise allows."""
    width = max(5, round(0.3e-3 / interval_s) | 1)
    # NaN stays within both extremes; single precision halves the time.
    single = rows.astype(np.float32)
    span = running_extreme(single, width, width // 2, np.maximum)
    span -= running_extreme(single, width, width // 2, np.minimum)
    peak = _farthest(rows, np.zeros(len(rows)))[:, None]
    # Expected range of white noise over this many samples: about 2 sqrt(2 ln n) sigma.
    allowed = 2.2 * np.sqrt(2 * np.log(max(width, 3))) * noise + 0.004 * peak
    return np.asarray(span <= allowed)


def _farthest(rows: NDArray, level: NDArray) -> NDArray[np.float64]:
    """Return how far from a level each row gets; 0 where nothing is recorded."""
    high, low = np.fmax.reduce(rows, axis=1), np.fmin.reduce(rows, axis=1)
    return np.nan_to_num(np.maximum(high - level, level - low))


@dataclass(frozen=True, eq=False)
class _Ramp:
    """Levels that are constant, run straight from one to the other, and are constant again; arrays of shape (n,)."""

    left: NDArray[np.float64]
    right: NDArray[np.float64]
    begin: NDArray[np.float64]
    end: NDArray[np.float64]

    def at(self, column: NDArray, rows: slice = slice(None)) -> NDArray[np.float64]:
        """Return the levels of these rows at columns, shape (rows, columns)."""
        begin, left = self.begin[rows, None], self.left[rows, None]
        slope = 1.0 / (self.end[rows, None] - begin)
        levels = slope * column
        levels -= slope * begin
        np.clip(levels, 0.0, 1.0, out=levels)
        levels *= self.right[rows, None] - left
        levels += left
        return np.asarray(levels)


def _baseline(
    rows: NDArray, quiet: NDArray, coil_on: NDArray, zero: int, interval_s: float, usual: NDArray
) -> _Ramp:
    """Settled level of each column: before coil_on and behind the ring, straight between, else the usual level.

    A level far from the usual one is a plateau of dwell or burn and does not count.
    """
    m = rows.shape[1]
    column = np.arange(m)[None, :]
    guard = round(0.1e-3 / interval_s)
    reach = round(1.5e-3 / interval_s)
    few = max(4, round(0.2e-3 / interval_s))
    on = np.where(np.isfinite(coil_on), coil_on, -1.0)[:, None]
    before = quiet & (column < on - guard) & (column > on - reach) & (on > 0)
    after = _longest_run(quiet & (column > zero + round(0.8e-3 / interval_s)))
    after &= after.sum(axis=1, keepdims=True) >= max(few, round(0.8e-3 / interval_s))
    first = np.where(after.any(axis=1), after.argmax(axis=1), m)[:, None]
    after &= column < first + round(1.0e-3 / interval_s)
    peak = _farthest(rows, usual)
    early = _level(rows, before, few)
    late = _level(rows, after, few)
    early[np.abs(early - usual) > PLATEAU_SHARE * peak] = np.nan
    late[np.abs(late - usual) > PLATEAU_SHARE * peak] = np.nan
    known, follows = np.isfinite(early), np.isfinite(late)
    left = np.where(known, early, np.where(follows, late, usual))
    right = np.where(follows, late, left)
    begin = np.where(known, on[:, 0] - guard, zero)
    end = np.maximum(np.where(follows, first[:, 0], m).astype(float), begin + 1.0)
    return _Ramp(left, right, begin, end)


def _level(rows: NDArray, where: NDArray, few: int) -> NDArray[np.float64]:
    """Row medians over marked columns where there are enough of them, else NaN."""
    result = np.full(rows.shape[0], np.nan)
    some = where.sum(axis=1) >= few
    if some.any():
        # Marked columns stand close together, elsewhere in each row.
        marked = where[some]
        first = marked.argmax(axis=1)
        length = where.shape[1] - marked[:, ::-1].argmax(axis=1) - first
        at = np.minimum(first[:, None] + np.arange(length.max()), where.shape[1] - 1)
        at += (np.flatnonzero(some) * where.shape[1])[:, None]
        result[some] = row_median(np.where(where.take(at), rows.take(at), np.nan))
    return result


def _first_settled(coil_on: NDArray, zero: int, interval_s: float, rows: NDArray) -> NDArray[np.int64]:
    """Column from which the row is integrated: just before the switching-on, else the start of the record."""
    guard = max(1, round(0.05e-3 / interval_s))
    known = np.isfinite(coil_on)
    first_recorded = np.isfinite(rows).argmax(axis=1)
    typical = np.nanmedian(zero - coil_on) if known.any() else round(9e-3 / interval_s)
    guess = np.where(known, coil_on - guard, zero - 1.2 * typical)
    return np.maximum(np.nan_to_num(guess), first_recorded).astype(np.int64)
