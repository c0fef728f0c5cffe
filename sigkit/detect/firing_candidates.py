"""Where one channel may hold firings: tall, isolated excursions in the block summary."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sigkit.prepare.block_summary import BlockSummary

#: Level a firing must pass, as a share of the channel's usual firing height (our choice: half of the
#: smallest waste spark against a power spark, about 1 kV to 15 kV; common practice, no source).
HEIGHT_SHARE = 0.035
#: The same in standard deviations of the noise (our choice: one false block in 1e9 of white noise).
HEIGHT_SIGMA = 7.0
#: Discharges this close belong to one firing, seconds (our choice: a repeat strike follows after a burn
#: of up to 2 ms and a re-charge of up to 3 ms; at 6000/min a shared coil fires every 10 ms).
SAME_FIRING_S = 6.0e-3
#: Length of the slices in which the usual firing height is taken, seconds (our choice).
SLICE_S = 30e-3
#: Window of the running baseline, seconds (our choice: several firings long).
BASELINE_S = 60e-3


@dataclass(frozen=True, eq=False)
class Candidates:
    """Candidate firings of one channel, in time order. Arrays have shape (n,).

    Attributes
    ----------
    block : ndarray of int64
        Block with the tallest excursion of the first discharge.
    height : ndarray of float64
        Its height above the running baseline, channel units.
    polarity : int
        Sign that was looked for.
    usual_height : float
        Height that most firings of the channel reach.
    """

    block: NDArray[np.int64]
    height: NDArray[np.float64]
    polarity: int
    usual_height: float


def running_baseline(blocks: BlockSummary, sample_rate_Hz: float) -> NDArray[np.float64]:
    """Return the slow level of the record for each block: a running median of block means, shape (m,)."""
    from scipy.ndimage import median_filter

    per = max(1, round(0.5e-3 * sample_rate_Hz / blocks.length))
    m = blocks.mean.size // per
    if m < 3:
        return np.full(blocks.mean.size, float(np.median(blocks.mean)))
    coarse = np.median(blocks.mean[: m * per].reshape(m, per), axis=1)
    width = min(m, max(3, round(BASELINE_S / 0.5e-3)) | 1)
    smooth = median_filter(coarse, size=width, mode="nearest")
    centres = (np.arange(m) + 0.5) * per - 0.5
    return np.interp(np.arange(blocks.mean.size), centres, smooth)


def find_candidates(
    blocks: BlockSummary, sample_rate_Hz: float, noise: float, polarity: int, baseline: NDArray
) -> Candidates:
    """Find excursions of one sign that may be firing lines.

    Parameters
    ----------
    blocks : BlockSummary
    sample_rate_Hz : float
        Of the samples, hertz.
    noise : float
        Standard deviation of one sample, channel units.
    polarity : int
        -1 or +1.
    baseline : ndarray of float, shape (m,)
        From `running_baseline`.

    Returns
    -------
    Candidates
    """
    from scipy.signal import find_peaks

    extreme = blocks.maximum if polarity > 0 else blocks.minimum
    height = polarity * (extreme - baseline)
    rate = sample_rate_Hz / blocks.length
    usual = usual_height(height, rate)
    level = max(HEIGHT_SHARE * usual, HEIGHT_SIGMA * noise)
    padded = np.concatenate([[-np.inf], height, [-np.inf]])
    peaks, _ = find_peaks(padded, height=level, distance=max(1, round(0.2e-3 * rate)))
    peaks = peaks - 1
    return Candidates(peaks.astype(np.int64), height[peaks], polarity, usual)


def usual_height(height: NDArray, block_rate_Hz: float) -> float:
    """Return the height most firings reach: the upper quartile of the tallest block in each slice."""
    per = max(1, round(SLICE_S * block_rate_Hz))
    m = max(1, height.size // per)
    cut = height[: m * per] if height.size >= per else height
    tallest = cut.reshape(m, -1).max(axis=1)
    return float(np.quantile(tallest, 0.75))


#: A later peak belongs to the discharge before it below this share of that one's height (our choice:
#: the rise at the end of the burn and the ring stay below it, a repeat strike above).
LATER_SHARE = 0.6
#: An earlier peak belongs to the dwell of the firing after it below this share (our choice).
EARLIER_SHARE = 0.5
#: How far before a firing line its dwell may reach, seconds (our choice).
DWELL_S = 9.0e-3
#: A discharge begins where its height last rose through this share of its tallest block (our choice).
ONSET_SHARE = 0.3


def first_discharges(
    candidates: Candidates, blocks: BlockSummary, baseline: NDArray, sample_rate_Hz: float
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Reduce candidates to the onset of the first discharge of each firing.

    A candidate counts when nothing much taller follows within a dwell or precedes within a discharge;
    of those that follow each other within `SAME_FIRING_S` (repeat strikes, the rise at the end of the
    burn) the first stands for all. From it the onset is sought backwards.

    Returns
    -------
    onset : ndarray of int64, shape (k,)
        Block of the onset, ascending.
    height : ndarray of float64, shape (k,)
        Tallest block of the first discharge, channel units.
    """
    from scipy.ndimage import maximum_filter1d

    if candidates.block.size == 0:
        return np.zeros(0, dtype=np.int64), np.zeros(0)
    rate = sample_rate_Hz / blocks.length
    extreme = blocks.maximum if candidates.polarity > 0 else blocks.minimum
    height = candidates.polarity * (extreme - baseline)
    after = max(1, round(DWELL_S * rate))
    before = max(1, round(SAME_FIRING_S * rate))
    # A filter of size w with origin -(w // 2) looks at [i, i + w - 1]; shifted by one it is strictly later.
    following = maximum_filter1d(height, after, origin=-(after // 2), mode="constant", cval=0.0)
    preceding = maximum_filter1d(height, before, origin=(before - 1) // 2, mode="constant", cval=0.0)
    following = np.append(following[1:], 0.0)
    preceding = np.append(0.0, preceding[:-1])
    at = candidates.block
    tall = (candidates.height >= EARLIER_SHARE * following[at]) & (
        candidates.height >= LATER_SHARE * preceding[at]
    )
    peaks, heights = at[tall], candidates.height[tall]
    if peaks.size == 0:
        return peaks, heights
    onset = _onset(height, peaks, heights, max(1, round(0.1e-3 * rate)), before)
    first = np.concatenate([[True], np.diff(onset) / rate > SAME_FIRING_S])
    return onset[first], heights[first]


def _onset(height: NDArray, peaks: NDArray, heights: NDArray, gap: int, reach: int) -> NDArray[np.int64]:
    """Walk back from each peak to where the discharge rose, over gaps of up to ``gap`` blocks."""
    back = np.arange(reach + 1)
    rows = np.maximum(peaks[:, None] - back, 0)
    low = height[rows] < ONSET_SHARE * heights[:, None]
    # The run ends at the first stretch of gap + 1 low blocks.
    counts = np.cumsum(low, axis=1)
    stretch = counts.copy()
    stretch[:, gap + 1 :] -= counts[:, : -gap - 1]
    ends = (stretch >= gap + 1) & low
    end = np.where(ends.any(axis=1), ends.argmax(axis=1) - gap - 1, reach)
    # Step inside again, to the earliest block of the run that is not low.
    index = np.arange(reach + 1)[None, :]
    inside = (~low) & (index <= np.maximum(end, 0)[:, None])
    far = np.where(inside.any(axis=1), (inside * index).max(axis=1), 0)
    return np.maximum(peaks - far, 0).astype(np.int64)
