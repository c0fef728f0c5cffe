"""What is known of a firing once its end was sought: evidence for spark or none, and for errors of the instants."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sigkit.locate.end_choice import ChosenEnds
from sigkit.locate.end_network import LikelyEnds
from sigkit.locate.first_look import FirstLook

#: Bins about the end whose levels tell how sharp it is, seconds (our choice: a soft end takes tens of microseconds); on
#: slow records they are as many times wider as columns are longer than 8 us.
ABOUT_S = 1e-6 * np.array([-60.0, -20.0, -4.0, 4.0, 12.0, 30.0, 70.0])
FEATURE_COUNT = 29 + 3 + ABOUT_S.size - 1
#: Stretch at the end of the record whose level is compared with the early burn line, seconds (our choice).
TAIL_S = 40e-6


def answer_features(
    look: FirstLook, likely: LikelyEnds, chosen: ChosenEnds, shift: tuple[NDArray, NDArray], sample_rate_Hz: float,
    noise: float, step: float, primary: bool,
) -> NDArray[np.float64]:  # fmt: skip
    """Describe n firings.

    Parameters
    ----------
    look : FirstLook
    likely : LikelyEnds
    chosen : ChosenEnds
    shift : tuple of ndarray, shape (n,)
        What was taken off breakdown and coil_off, samples.
    sample_rate_Hz : float
    noise, step : float
        Standard deviation of one sample, and step between stored values; channel units.
    primary : bool
        Whether the channel shows the primary.

    Returns
    -------
    ndarray of float64, shape (n, FEATURE_COUNT)
    """
    rows, found, interval_s = look.rough.rows, look.found, look.rough.interval_s
    n, m = rows.shape
    column = np.arange(m)[None, :]
    behind = np.isfinite(rows) & (column > look.breakdown[:, None])
    length_s = behind.sum(axis=1) * interval_s
    last = np.where(behind.any(axis=1), m - 1 - behind[:, ::-1].argmax(axis=1), 0)
    at = np.maximum(last[:, None] - np.arange(max(3, round(TAIL_S / interval_s))), 0)
    stretch = np.take_along_axis(behind, at, axis=1)
    tail = np.where(stretch, np.take_along_axis(rows, at, axis=1), 0.0).sum(axis=1)
    tail = tail / np.maximum(stretch.sum(axis=1), 1)
    early = np.maximum(found.early_level, 1e-300)
    top = np.where(found.spike, found.peak_level, found.early_level) - np.nan_to_num(found.dwell_level)
    top = np.maximum(top, 1e-300)

    def ratio(value: NDArray, by: NDArray, low: float, high: float) -> NDArray:
        return np.log10(np.clip(value / by, 10.0**low, 10.0**high))

    edges = ABOUT_S * max(1.0, interval_s / 8e-6) / interval_s
    about, _ = look.levels.about(np.arange(n), np.nan_to_num(chosen.column), edges)
    about = np.arcsinh(10.0 * np.clip(np.diff(about, axis=1, prepend=0.0) / early[:, None], -20.0, 20.0))
    one = np.ones(n)
    # No second candidate is as good as one far behind; no candidate at all has no lead.
    rival = np.where(np.isfinite(likely.rival_log_odds), likely.rival_log_odds, -1e3)
    gap = np.clip(np.where(np.isfinite(likely.log_odds), likely.log_odds, -1e3) - rival, -1.0, 20.0)
    burn_s = np.maximum(chosen.column - look.breakdown, 0.1) * interval_s
    distance_s = np.abs(chosen.rival - chosen.column) * interval_s
    rise_away_s = look.rise.rival_away / sample_rate_Hz
    parts = [
        chosen.log_odds, chosen.fine_odds, np.clip(likely.log_odds, -20.0, 20.0), gap, chosen.share, chosen.rival_share,
        np.log10(1e-3 + chosen.rival_share * np.nan_to_num(distance_s) / 1e-4),
        np.nan_to_num(chosen.spread, nan=2.0), np.abs(chosen.column - likely.column) * interval_s / 8e-6,
        np.log10(burn_s / 1e-3), ratio(early, look.column_noise * one, -1.0, 4.0), ratio(top, noise * one, -1.0, 4.0),
        ratio(found.peak_level, early, -1.0, 2.0), ratio(step * one, early, -5.0, 1.0),
        np.clip(tail / early, -2.0, 2.0), np.clip(length_s / 3e-3, 0.0, 1.5),
        np.clip(np.nan_to_num(found.dwell_level) / early, -5.0, 5.0), found.spike.astype(float),
        np.clip(shift[0], -8.0, 8.0), np.clip(shift[1], -20.0, 20.0),
        np.log10(1.0 + np.clip(found.breakdown - found.coil_off, 0.0, None)),
        np.log10(interval_s / 1e-6) * one, np.log10(sample_rate_Hz / 1e6) * one, float(primary) * one,
        np.log10(1.0 + look.rough.droop_rate) * one, np.isfinite(look.rough.coil_on).astype(float),
        np.clip((look.origin + found.coil_off) / sample_rate_Hz / 1e-3, 0.0, 1.0),
        np.log10(0.03 + np.nan_to_num(chosen.width, nan=2.0)), np.log10(1e-6 + chosen.mass),
        np.clip(look.rise.log_odds, -20.0, 20.0), look.rise.share,
        np.log10(1e-3 + look.rise.rival_share * rise_away_s / 1e-4), *about.T,
    ]  # fmt: skip
    return np.nan_to_num(np.stack(parts, axis=1), nan=0.0, posinf=0.0, neginf=0.0)
