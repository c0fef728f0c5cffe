"""Peak voltage and firing voltage of many firings."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sigkit.measure.window_batch import WindowBatch

#: Under-sampled (our choice): when the rise in the last sample interval before the peak, or the lag of
#: the band limit at that slope, is more than this share of the peak, the true peak may lie well above
#: every sample, and the highest sample is given as a lower bound. Below it the reading is corrected and the
#: rest is uncertainty.
UNRESOLVED_SHARE = 0.20
#: Samples from coil_off to breakdown below which the whole rise may fall between two samples (our choice).
FEWEST_RISE = 6.0
#: Lag of the band limit that rounds no crest visibly, in samples, and its standard uncertainty: recorders pass
#: from a fifth of the sample rate (single pole: lag 1/(2 pi 0.2) = 0.8 samples) to well beyond it (our choice).
UNSEEN_LAG, UNSEEN_LAG_U = 0.4, 0.3


@dataclass(frozen=True, eq=False)
class PeakReading:
    """Peaks of k firings, signed, unit of the channel. Arrays have shape (k,).

    Attributes
    ----------
    peak, peak_u : largest excursion from coil_off on.
    peak_bound : bool, the peak is a lower bound in magnitude.
    peak_column : column of the sample it stands on.
    firing, firing_u, firing_bound : the same at or before breakdown; NaN without a breakdown.
    clipped : bool, samples of the firing are at the limit of the recorder.
    """

    peak: NDArray[np.float64]
    peak_u: NDArray[np.float64]
    peak_bound: NDArray[np.bool_]
    peak_column: NDArray[np.int64]
    firing: NDArray[np.float64]
    firing_u: NDArray[np.float64]
    firing_bound: NDArray[np.bool_]
    clipped: NDArray[np.bool_]


def measure_peak(
    batch: WindowBatch, sign: NDArray, breakdown_u: NDArray, noise: float, step: float, coupling_u: float = 0.0
) -> PeakReading:
    """Read the peaks.

    The firing voltage is the largest sample in the firing's own sign up to breakdown, carried on along the
    rise of the last interval to the instant of breakdown (at most one interval), plus the lag of the band
    limit, slope x time constant, where the crest is rounded (`_rounding`). Uncertainty, combined as in JCGM
    100:2008, 5.1.2: noise, quantisation (rectangular,
    step/sqrt(12)), the instant within its interval (rectangular at most, 1/sqrt(12) of the last rise), the
    correction for the lag (half of it), baseline and droop.

    Parameters
    ----------
    batch : WindowBatch
    sign : ndarray, shape (k,)
        Sign of the firing line, -1 or +1; 0 where unknown (then that of the peak counts).
    breakdown_u : ndarray, shape (k,)
        Standard uncertainty of breakdown, samples.
    noise, step : float
        Noise and quantisation step, unit of the channel.
    coupling_u : float
        Standard uncertainty from leads that fire at the same time, as a share of the voltage.

    Returns
    -------
    PeakReading
    """
    value = batch.value
    k, m = value.shape
    row = np.arange(k)
    # Nothing is sought in front of the first coil_off, nor the crest behind the last breakdown.
    start = int(np.clip(np.floor(np.min(batch.off, initial=m)) - 2, 0, m - 1))
    column = np.arange(start, m)
    live = np.isfinite(value[:, start:]) & (column >= batch.off[:, None] - 2)
    shown = live.any(axis=1)
    # Column 0 where nothing shows, whatever the other firings of the batch do.
    top = np.where(shown, start + np.argmax(np.where(live, np.abs(value[:, start:]), -1.0), axis=1), 0)
    peak = np.where(shown, value[row, top], np.nan)
    sign = np.where(sign == 0, np.where(np.isfinite(peak), np.sign(peak), 1.0), sign)

    known = np.isfinite(batch.breakdown)
    reach = np.where(known, batch.breakdown + np.clip(2 * np.nan_to_num(breakdown_u), 0.5, 1.5), -1.0)
    until = int(np.clip(np.max(reach, initial=0.0) + 1, start + 1, m))
    early = live[:, : until - start] & (column[: until - start] <= reach[:, None])
    crest = start + np.argmax(np.where(early, value[:, start:until] * sign[:, None], -np.inf), axis=1)
    found = known & early.any(axis=1)
    height = value[row, crest] * sign
    # The sample behind a breakdown late in its interval can still be the highest: then the rise goes on from
    # the one before.
    passed = found & (crest > np.nan_to_num(batch.breakdown)) & (crest > 0)
    foot = np.where(passed, crest - 1, crest)
    before = np.where(foot > 0, value[row, np.maximum(foot - 1, 0)] * sign, value[row, foot] * sign)
    rise = np.nan_to_num(np.clip(value[row, foot] * sign - before, 0.0, None))
    spread = np.minimum(np.nan_to_num(breakdown_u, nan=1.0), 1.0 / np.sqrt(12.0))
    ahead = np.clip(np.nan_to_num(batch.breakdown) - foot, 0.0, 1.0)
    rounded = _rounding(value, sign, crest)
    lag = rounded + UNSEEN_LAG
    correction = np.maximum(value[row, foot] * sign + rise * (ahead + lag) - height, 0.0)
    variance = noise**2 + step**2 / 12.0 + (rise * spread) ** 2
    variance += (rise * UNSEEN_LAG_U) ** 2 + (0.5 * rise * rounded) ** 2
    variance += np.nan_to_num(batch.baseline_u) ** 2 + np.nan_to_num(batch.droop_u(crest, crest + 1)[:, 0]) ** 2
    variance += (coupling_u * height) ** 2
    # Half of the last interval's rise is the most a straight continuation can be wrong by.
    variance += (0.25 * rise * ahead) ** 2
    at_limit = batch.clipped[row, crest]
    unresolved = rise * (1.0 + lag) > UNRESOLVED_SHARE * np.abs(height)
    with np.errstate(invalid="ignore"):
        unresolved |= ~(batch.breakdown - batch.off >= FEWEST_RISE)
    # A lower bound is the highest sample itself: nothing is added to it.
    firing = np.where(found, sign * np.where(at_limit | unresolved, height, height + correction), np.nan)
    firing_u = np.where(found, np.sqrt(variance), np.nan)
    firing_bound = found & (at_limit | unresolved)

    same = found & (np.abs(top - crest) <= 2) & (np.sign(peak) == sign)
    plain = noise**2 + step**2 / 12.0 + np.nan_to_num(batch.baseline_u) ** 2
    plain = np.sqrt(plain + (coupling_u * peak) ** 2 + np.nan_to_num(batch.droop_u(top, top + 1)[:, 0]) ** 2)
    rise_there = np.abs(peak) - np.abs(value[row, np.maximum(top - 1, 0)])
    hidden = np.nan_to_num(rise_there) > UNRESOLVED_SHARE * np.abs(peak)
    peak_limit = batch.clipped[row, top]
    return PeakReading(
        peak=np.where(same, firing, peak),
        peak_u=np.where(same, firing_u, plain) + np.where(np.isfinite(peak), 0.0, np.nan),
        # A crest before breakdown that fell between two samples may be taller than the tallest sample.
        peak_bound=np.where(same, firing_bound, peak_limit | hidden | firing_bound),
        peak_column=top,
        firing=firing, firing_u=firing_u, firing_bound=firing_bound,
        clipped=np.asarray((batch.clipped[:, start:] & live).any(axis=1)),
    )


def _rounding(value: NDArray, sign: NDArray, crest: NDArray) -> NDArray:
    """Return the lag of the band limit in samples, read from how rounded the crest is.

    The voltage turns within nanoseconds, then falls through the lead's resistance with its own time
    constant; the steepest fall therefore comes at once. Behind a single pole of time constant T it comes
    after 1 to 3 T (closed form ln(r)/(1 - 1/r) T for a collapse r times as slow); half of the delay beyond the
    first whole interval is taken as T.
    """
    reach = 16
    place = np.minimum(crest[:, None] + np.arange(reach), value.shape[1] - 1)
    top = np.take_along_axis(value, place, axis=1) * sign[:, None]
    fall = np.nan_to_num(top[:, :-1] - top[:, 1:], nan=0.0)
    steepest = np.argmax(fall >= 0.98 * fall.max(axis=1)[:, None], axis=1)
    return np.clip(0.5 * (steepest - 1.0), 0.0, None)
