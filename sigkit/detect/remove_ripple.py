"""Take a steady ripple (supply, alternator) off the blocks of a record."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from sigkit.prepare.block_summary import BlockSummary
from sigkit.prepare.spectral_peak import spectral_peak

#: Ripple is looked for from this frequency on; slower waves are no swings (our choice).
LOWEST_HZ = 500.0
#: A running mean over this long is taken off before the search, seconds: a whole period of `LOWEST_HZ`.
SLOW_S = 2e-3
#: Share of the clipped record's variance that a ripple must explain (our choice; below it is no worse than noise).
LEAST_SHARE = 0.25
#: Blocks over which amplitude and phase are held constant, at most (our choice: 0.2 s).
SEGMENT_BLOCKS = 4096


def remove_ripple(blocks: BlockSummary, sample_rate_Hz: float) -> tuple[BlockSummary, float]:
    """Subtract the one strongest steady tone, if there is one.

    The block means, cleared of slow content and clipped at three robust standard deviations (so that firings
    weigh little), give its frequency by the peak of a padded spectrum and its amplitude by least squares.

    Parameters
    ----------
    blocks : BlockSummary
    sample_rate_Hz : float
        Of the samples, hertz.

    Returns
    -------
    blocks : BlockSummary
        Without the tone; the same object when there is none. ``mean_square`` follows the mean.
    amplitude : float
        Of the tone in the first segment, channel units, 0 when there is none.

    Examples
    --------
    >>> from sigkit.types.channel import Channel
    >>> from sigkit.prepare.block_summary import summarise_blocks
    >>> t = np.arange(4000) / 20e3
    >>> cleared, amplitude = remove_ripple(summarise_blocks(Channel("1", np.sin(2 * np.pi * 3000.0 * t), 20e3)), 20e3)
    >>> round(amplitude, 2), bool(np.abs(cleared.mean).max() < 0.01)
    (1.0, True)
    """
    rate = sample_rate_Hz / blocks.length
    m = blocks.mean.size
    slow = max(3, round(SLOW_S * rate))
    if m < 2 * slow:
        return blocks, 0.0
    quick = _without_slow(blocks.mean, slow)
    count = max(1, m // SEGMENT_BLOCKS)
    edges = np.linspace(0, m, count + 1).astype(np.int64)
    tone = np.zeros(m)
    amplitude = 0.0
    for first, last in zip(edges[:-1], edges[1:], strict=True):
        tone[first:last], size = _tone(quick[first:last], rate, slow)
        amplitude = amplitude or size
    if not tone.any():
        return blocks, 0.0
    mean = blocks.mean - tone
    cleared = replace(
        blocks,
        minimum=blocks.minimum - tone,
        maximum=blocks.maximum - tone,
        mean=mean,
        mean_square=blocks.mean_square - blocks.mean**2 + mean**2,
    )
    return cleared, amplitude


def without_ripple(noise: float, amplitude: float) -> float:
    """Return the noise of a channel whose noise was measured with a ripple of this amplitude on it.

    Ripple is in the noise as measured, as the root mean square of a tone; something is left of noise in any case.

    Examples
    --------
    >>> without_ripple(0.5, 0.0)
    0.5
    """
    return float(np.sqrt(max(noise**2 - 0.5 * amplitude**2, (0.3 * noise) ** 2)))


def _without_slow(values: NDArray, width: int) -> NDArray[np.float64]:
    # A running mean by cumulated sums; the ends keep the nearest full window.
    sums = np.concatenate([[0.0], np.cumsum(values)])
    middle = (sums[width:] - sums[:-width]) / width
    left = (width - 1) // 2
    return values - np.pad(middle, (left, values.size - middle.size - left), mode="edge")


def _tone(quick: NDArray, rate: float, slow: int) -> tuple[NDArray[np.float64], float]:
    n = quick.size
    none = np.zeros(n)
    spread = 1.4826 * float(np.median(np.abs(quick)))
    if spread <= 0:
        return none, 0.0
    clipped = np.clip(quick, -3.0 * spread, 3.0 * spread)
    padded = 1 << int(np.ceil(np.log2(4 * n)))
    power = np.abs(np.fft.rfft(clipped, padded)) ** 2
    frequency = np.arange(power.size) * rate / padded
    usable = np.flatnonzero((frequency >= LOWEST_HZ) & (frequency <= 0.45 * rate))
    if usable.size < 3:
        return none, 0.0
    peak = int(usable[power[usable].argmax()])
    # Quick way out: a tone that explains the least share has this much power in its line.
    variance = float(clipped @ clipped)
    if power[peak] < 0.4 * LEAST_SHARE * variance * n:
        return none, 0.0
    phase = 2 * np.pi * spectral_peak(power, peak) / padded * np.arange(n)
    waves = np.stack([np.cos(phase), np.sin(phase)])
    rows = np.abs(quick) < 3.0 * spread
    # The waves pass the same filter as the record, so that its gain cancels.
    passed = np.stack([_without_slow(wave, slow) for wave in waves])
    weights = np.linalg.lstsq(passed[:, rows].T, quick[rows], rcond=None)[0]
    tone = weights @ waves
    left = quick[rows] - weights @ passed[:, rows]
    if float(left @ left) > (1.0 - LEAST_SHARE) * float(quick[rows] @ quick[rows]):
        return none, 0.0
    return tone, float(np.hypot(*weights))
