"""Take a steady ripple (supply, alternator) off the blocks of a record."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.fft import next_fast_len

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
    tones = find_tones(blocks.mean, sample_rate_Hz / blocks.length)
    if not tones:
        return blocks, 0.0
    tone = np.zeros(blocks.mean.size)
    for one in tones:
        tone[one.first : one.last] = one.values()
    mean = blocks.mean - tone
    cleared = replace(
        blocks,
        minimum=blocks.minimum - tone,
        maximum=blocks.maximum - tone,
        mean=mean,
        mean_square=blocks.mean_square - blocks.mean**2 + mean**2,
    )
    return cleared, tones[0].amplitude


def without_ripple(noise: float, amplitude: float) -> float:
    """Return the noise of a channel whose noise was measured with a ripple of this amplitude on it.

    Ripple is in the noise as measured, as the root mean square of a tone; something is left of noise in any case.

    Examples
    --------
    >>> without_ripple(0.5, 0.0)
    0.5
    """
    return float(np.sqrt(max(noise**2 - 0.5 * amplitude**2, (0.3 * noise) ** 2)))


@dataclass(frozen=True, eq=False)
class Tone:
    """A steady tone on the blocks ``first:last``.

    Attributes
    ----------
    first, last : int
        First block, and the one behind the last.
    phase : float
        Advance from block to block, radians.
    weights : ndarray, shape (2,)
        Of the cosine and the sine that begin at ``first``.
    """

    first: int
    last: int
    phase: float
    weights: NDArray[np.float64]

    @property
    def amplitude(self) -> float:
        """Amplitude in the unit of the blocks."""
        return float(np.hypot(*self.weights))

    def values(self) -> NDArray[np.float64]:
        """Return the tone on its blocks."""
        return np.asarray(self.weights @ _waves(self.phase, self.last - self.first))


def find_tones(mean: NDArray, rate: float) -> list[Tone]:
    """Find the strongest steady tone of each segment of a list of block means.

    Parameters
    ----------
    mean : ndarray, shape (m,)
    rate : float
        Blocks a second.

    Returns
    -------
    list of Tone
        Of the segments that have one.
    """
    m = mean.size
    slow = max(3, round(SLOW_S * rate))
    if m < 2 * slow:
        return []
    count = max(1, m // SEGMENT_BLOCKS)
    edges = np.linspace(0, m, count + 1).astype(np.int64).tolist()
    tones = []
    for first, last in zip(edges[:-1], edges[1:], strict=True):
        # What the running mean needs of the neighbours, and no copy of the record.
        begin, end = max(first - 2 * slow, 0), min(last + 2 * slow, m)
        quick = _without_slow(mean[begin:end], slow)[first - begin : last - begin]
        found = _tone(quick, rate, slow)
        if found is not None:
            tones.append(Tone(first, last, *found))
    return tones


def _waves(phase: float, count: int) -> NDArray[np.float64]:
    turned = phase * np.arange(count)
    return np.stack([np.cos(turned), np.sin(turned)])


def _without_slow(values: NDArray, width: int) -> NDArray[np.float64]:
    # A running mean by cumulated sums; the ends keep the nearest full window.
    sums = np.concatenate([[0.0], np.cumsum(values, dtype=np.float64)])
    middle = (sums[width:] - sums[:-width]) / width
    left = (width - 1) // 2
    slow = np.empty(values.size)
    slow[:left], slow[left : left + middle.size], slow[left + middle.size :] = middle[0], middle, middle[-1]
    return values - slow


def _tone(quick: NDArray, rate: float, slow: int) -> tuple[float, NDArray[np.float64]] | None:
    n = quick.size
    spread = 1.4826 * float(np.median(np.abs(quick)))
    if spread <= 0:
        return None
    clipped = np.clip(quick, -3.0 * spread, 3.0 * spread)
    # A tone that explains the least share has this much power in its line.
    least = 0.4 * LEAST_SHARE * float(clipped @ clipped) * n
    # Quick way out: two neighbouring lines of the plain spectrum hold at least 0.81 of it, noise aside.
    # A length with a large prime factor takes eight times as long as the next good one.
    lines = np.fft.rfft(clipped, next_fast_len(n, real=True))
    plain = lines.real**2 + lines.imag**2
    if (plain[1:] + plain[:-1]).max(initial=0.0) < 0.5 * least:
        return None
    padded = 1 << int(np.ceil(np.log2(4 * n)))
    power = np.abs(np.fft.rfft(clipped, padded)) ** 2
    frequency = np.arange(power.size) * rate / padded
    usable = np.flatnonzero((frequency >= LOWEST_HZ) & (frequency <= 0.45 * rate))
    if usable.size < 3:
        return None
    peak = int(usable[power[usable].argmax()])
    if power[peak] < least:
        return None
    phase = 2 * np.pi * spectral_peak(power, peak) / padded
    waves = _waves(phase, n)
    rows = np.abs(quick) < 3.0 * spread
    # The waves pass the same filter as the record, so that its gain cancels.
    passed = np.stack([_without_slow(wave, slow) for wave in waves])
    weights = np.linalg.lstsq(passed[:, rows].T, quick[rows], rcond=None)[0]
    left = quick[rows] - weights @ passed[:, rows]
    if float(left @ left) > (1.0 - LEAST_SHARE) * float(quick[rows] @ quick[rows]):
        return None
    return float(phase), np.asarray(weights, dtype=np.float64)
