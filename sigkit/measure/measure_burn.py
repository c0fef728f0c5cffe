"""Burn voltage, slope, curvature, hash and step of many firings."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sigkit.measure.firing_windows import FiringWindows
from sigkit.measure.fit_burn_line import fit_burn_line
from sigkit.measure.take_columns import take_columns
from sigkit.measure.window_batch import WindowBatch
from sigkit.prepare.median import row_median
from sigkit.types.instants import Instants

#: Fewest samples for a level, for a slope and for a curvature (our choice).
FEWEST_LEVEL, FEWEST_SLOPE, FEWEST_CURVATURE = 3, 6, 16
#: Points of which the median is taken, at least, where there are as many samples (our choice).
MEDIAN_POINTS = 40
#: Samples left out after each re-ignition (our choice: the collapse itself is no burn).
GUARD = 1.0


@dataclass(frozen=True, eq=False)
class BurnReading:
    """Burn lines of k firings. Arrays have shape (k,); unit of the channel, times in ms; NaN where missing.

    Attributes
    ----------
    level, level_u : median over 30-70 % of the burn, signed as recorded.
    slope, slope_u : unit/ms, positive when the magnitude grows.
    curvature, curvature_u : unit/ms^2, positive when the magnitude bends away from zero.
    hash, hash_u : rms about the fit, the instrument's noise taken out.
    step, step_u : largest step, positive when the magnitude grows.
    clipped : bool, more than a tenth of the burn's samples are at the limit of the recorder.
    count : samples over 20-80 %.
    end_level : level just before burn_end, signed.
    """

    level: NDArray[np.float64]
    level_u: NDArray[np.float64]
    slope: NDArray[np.float64]
    slope_u: NDArray[np.float64]
    curvature: NDArray[np.float64]
    curvature_u: NDArray[np.float64]
    hash: NDArray[np.float64]
    hash_u: NDArray[np.float64]
    step: NDArray[np.float64]
    step_u: NDArray[np.float64]
    clipped: NDArray[np.bool_]
    count: NDArray[np.int64]
    end_level: NDArray[np.float64]


def conducting(batch: WindowBatch, instants: Instants) -> NDArray[np.bool_]:
    """Return which samples lie inside a conduction interval of the first discharge, shape (k, m).

    A firing without listed intervals conducts from breakdown to burn_end.
    """
    k, m = batch.value.shape
    place = np.full(len(instants), -1, dtype=np.int64)
    place[batch.rows] = np.arange(k)
    listed = instants.intervals
    own = np.flatnonzero((listed.strike == 0) & (place[listed.firing] >= 0)) if listed.firing.size else np.zeros(0, int)
    row = place[listed.firing[own]] if own.size else np.zeros(0, dtype=np.int64)
    begin = np.append(listed.start[own] - batch.first[row], batch.breakdown)
    end = np.append(listed.stop[own] - batch.first[row], batch.burn_end)
    has = np.bincount(row, minlength=k) > 0
    end[own.size:] = np.where(has, np.nan, end[own.size:])
    row = np.append(row, np.arange(k))
    good = np.isfinite(begin) & np.isfinite(end) & (end > begin)
    change = np.zeros((k, m + 1), dtype=np.int16)
    np.add.at(change, (row[good], np.clip(np.ceil(begin[good] + GUARD), 0, m).astype(np.int64)), 1)
    last = np.ceil(np.maximum(end[good], begin[good] + GUARD))
    np.add.at(change, (row[good], np.clip(last, 0, m).astype(np.int64)), -1)
    return np.cumsum(change[:, :m], axis=1, dtype=np.int16) > 0


def measure_burn(
    batch: WindowBatch, windows: FiringWindows, breakdown_u: NDArray, burn_end_u: NDArray, coupling_u: float = 0.0
) -> BurnReading:
    """Measure the burn lines.

    Uncertainty (JCGM 100:2008, 5.1.2, components as if independent): noise with its correlation; the
    quantisation step; the instants, which shift the stretch that is looked at (level: slope x shift of the
    middle, slope: curvature x that shift); baseline and its wander; droop rate; ``coupling_u``, the share of
    leads that fire at the same time.
    """
    duration = batch.burn_end - batch.breakdown
    inside = conducting(batch, windows.instants)

    def burning(begin: NDArray, end: NDArray) -> NDArray[np.float64]:
        """Cut what conducts between two columns out."""
        return np.where(take_columns(inside, begin, end) == 1, take_columns(batch.value, begin, end), np.nan)

    middle = burning(batch.breakdown + 0.3 * duration, batch.breakdown + 0.7 * duration)
    wide = burning(batch.breakdown + 0.2 * duration, batch.breakdown + 0.8 * duration)
    spans = take_columns(batch.clipped & inside, batch.breakdown, batch.burn_end)
    clipped = np.nansum(spans, axis=1) > 0.1 * np.maximum(np.isfinite(spans).sum(axis=1), 1)
    per_ms = 1e3 * windows.interval_s
    noise = np.full(len(duration), windows.noise)
    step = windows.condition.step
    time_ms = np.arange(wide.shape[1])[None, :] * per_ms
    fit = fit_burn_line(time_ms, wide, noise, windows.correlation)
    here = np.isfinite(middle).sum(axis=1)
    # Noise drags the median of a skewed line towards its mean: average over 1/40 of the stretch first.
    level = row_median(_average(middle, here // MEDIAN_POINTS))
    # Half of what the averaging moves it by stays as an uncertainty.
    moved = 0.5 * np.abs(level - row_median(middle))
    level = np.where(here >= FEWEST_LEVEL, level, np.nan)
    sign = np.where(level < 0, -1.0, 1.0)
    quantum = step / np.sqrt(12.0) if windows.noise < 0.5 * step else 0.0
    codes = np.clip(np.abs(fit.slope) * 0.6 * duration * per_ms / max(step, 1e-300), 1.0, np.maximum(fit.count, 1))
    # A coarse quantiser's error is alike over runs of equal codes: fewer independent errors than samples.
    shift = 0.5 * np.hypot(breakdown_u, burn_end_u) * per_ms
    baseline = np.nan_to_num(batch.baseline_u)
    droop_middle = row_median(batch.droop_u(batch.breakdown + 0.3 * duration, batch.breakdown + 0.7 * duration))
    level_u = np.sqrt(
        0.5 * np.pi * windows.noise**2 * windows.correlation / np.maximum(here, 1)
        + quantum**2 / np.minimum(codes, here.clip(1)) + (fit.slope * shift) ** 2 + baseline**2
        + np.nan_to_num(droop_middle) ** 2 + np.nan_to_num(moved) ** 2 + windows.wander**2
        + (coupling_u * level) ** 2
    )
    length_ms = np.maximum(0.6 * duration * per_ms, 1e-12)
    droop_slope = windows.droop_rate_u * 1e-3 * np.abs(level)
    slope_u = np.sqrt(
        fit.slope_u**2 + 12.0 * quantum**2 / (codes * length_ms**2)
        + (np.nan_to_num(fit.curvature) * shift) ** 2 + np.nan_to_num(droop_slope) ** 2
        + windows.wander_per_ms**2
        + (coupling_u * fit.slope) ** 2
    )
    # Variance of the noise in the squared rms, and the cross term of noise and hash.
    square = fit.rms**2 * np.maximum(fit.count, 1) / np.maximum(fit.count - 3.0, 1.0)
    alive = np.maximum(square - windows.noise**2, 0.0)
    independent = np.maximum(fit.count / windows.correlation, 1.0)
    square_u = np.sqrt(2 * windows.noise**4 / independent + 4 * alive * windows.noise**2 / independent
                       + (0.1 * windows.noise**2) ** 2)
    hash_level = np.sqrt(alive)
    hash_u = np.minimum(square_u / (2 * np.maximum(hash_level, 1e-300)), np.sqrt(square_u))
    last = burning(np.maximum(batch.burn_end - 6, batch.breakdown), batch.burn_end - 0.5)
    enough = fit.count >= FEWEST_SLOPE
    bent = fit.count >= FEWEST_CURVATURE
    blank, bent_blank = np.where(enough, 0.0, np.nan), np.where(bent, 0.0, np.nan)
    return BurnReading(
        level=level, level_u=level_u + np.where(np.isfinite(level), 0.0, np.nan),
        slope=fit.slope * sign + blank, slope_u=slope_u + blank,
        curvature=fit.curvature * sign + bent_blank, curvature_u=fit.curvature_u + bent_blank,
        hash=hash_level + blank, hash_u=hash_u + blank,
        step=fit.step * sign + bent_blank, step_u=np.hypot(fit.step_u, quantum) + bent_blank,
        clipped=clipped, count=fit.count,
        end_level=row_median(last),
    )


def _average(rows: NDArray, length: NDArray) -> NDArray[np.float64]:
    """Average each row over ``length`` neighbours (its own length, 1 or more); NaN ignored."""
    k, m = rows.shape
    if m == 0:
        return rows
    known = np.isfinite(rows)
    block = np.arange(m) // np.maximum(length, 1)[:, None]
    place = (np.arange(k)[:, None] * m + block).ravel()
    total = np.bincount(place, weights=np.where(known, rows, 0.0).ravel(), minlength=k * m)
    count = np.bincount(place, weights=known.ravel(), minlength=k * m)
    means = np.where(count > 0, total / np.maximum(count, 1), np.nan).reshape(k, m)
    return means[:, : int(block.max()) + 1]
