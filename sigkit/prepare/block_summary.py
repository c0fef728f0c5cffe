"""Pass 1: minimum, maximum, sum and sum of squares of fixed blocks, in one streaming pass."""

from __future__ import annotations

from dataclasses import dataclass
from weakref import WeakKeyDictionary

import numpy as np
from numpy.typing import NDArray

from sigkit.types.channel import Channel

#: Length of a block in seconds (our choice: short against the 0.1 ms of a firing line and its collapse).
BLOCK_S = 50e-6
#: Samples read at a time (our choice: 64 k int16 samples and their float64 copy stay in the second-level cache).
READ_SAMPLES = 1 << 16
#: Summaries of channels still in use: detector, locator, measurement and screening ask for the same one.
_KNOWN: WeakKeyDictionary[Channel, BlockSummary] = WeakKeyDictionary()


@dataclass(frozen=True, eq=False)
class BlockSummary:
    """Reductions of blocks aligned to sample 0, in the unit of the channel. Arrays have shape (m,).

    The last block may be shorter. ``length`` is the block length in samples.
    """

    length: int
    count: int
    minimum: NDArray[np.float64]
    maximum: NDArray[np.float64]
    mean: NDArray[np.float64]
    mean_square: NDArray[np.float64]


def block_length(sample_rate_Hz: float) -> int:
    """Return the block length in samples for a rate in hertz.

    Examples
    --------
    >>> block_length(1e6), block_length(20e3)
    (50, 1)
    """
    return max(1, round(BLOCK_S * sample_rate_Hz))


def summarise_blocks(channel: Channel, read_samples: int = READ_SAMPLES) -> BlockSummary:
    """Reduce a channel to blocks, reading each sample once.

    The summary is kept for as long as the channel is, so asking again costs nothing; its arrays are read-only.

    Parameters
    ----------
    channel : Channel
    read_samples : int
        Samples read at a time; changes nothing in the result.

    Returns
    -------
    BlockSummary
        Sums of integer samples are exact, so the result does not depend on ``read_samples``.

    Examples
    --------
    >>> import numpy as np
    >>> from sigkit.types.channel import Channel
    >>> summarise_blocks(Channel("1", np.arange(6, dtype="int16"), 40e3)).maximum.tolist()
    [1.0, 3.0, 5.0]
    """
    if read_samples == READ_SAMPLES and channel in _KNOWN:
        return _KNOWN[channel]
    length = block_length(channel.sample_rate_Hz)
    n = len(channel)
    m = -(-n // length)
    low, high = np.empty(m), np.empty(m)
    total, square = np.empty(m), np.empty(m)
    step = max(1, read_samples // length) * length
    for start in range(0, n, step):
        part = np.asarray(channel.samples[start : start + step])
        first = start // length
        whole = part.shape[0] // length
        rows = part[: whole * length].reshape(whole, length)
        _reduce(rows, first, low, high, total, square)
        if whole * length < part.shape[0]:
            _reduce(part[whole * length :][None, :], first + whole, low, high, total, square)
    counts = np.full(m, float(length))
    if m:
        counts[-1] = n - (m - 1) * length
    mean_stored = total / counts
    scale, zero = channel.scale, channel.zero
    a, b = (low - zero) * scale, (high - zero) * scale
    variance = np.maximum(square / counts - mean_stored**2, 0.0) * scale**2
    mean = (mean_stored - zero) * scale
    result = BlockSummary(length, n, np.minimum(a, b), np.maximum(a, b), mean, variance + mean**2)
    for array in (result.minimum, result.maximum, result.mean, result.mean_square):
        array.flags.writeable = False
    if read_samples == READ_SAMPLES:
        _KNOWN[channel] = result
    return result


def _reduce(rows: NDArray, first: int, low: NDArray, high: NDArray, total: NDArray, square: NDArray) -> None:
    where = slice(first, first + rows.shape[0])
    as_float = rows.astype(np.float64, copy=False)
    if rows.dtype.kind in "iu" and rows.dtype.itemsize <= 2:
        low[where], high[where] = _extremes(rows)
        # Sums of such integers and squares are exact in float64 in any order, so matrix products may take them.
        ones = np.ones(rows.shape[1])
        total[where] = as_float @ ones
        np.multiply(as_float, as_float, out=as_float)
        square[where] = as_float @ ones
        return
    low[where] = rows.min(axis=1)
    high[where] = rows.max(axis=1)
    total[where] = as_float.sum(axis=1)
    square[where] = np.einsum("ij,ij->i", as_float, as_float)


def _extremes(rows: NDArray) -> tuple[NDArray, NDArray]:
    """Minimum and maximum of each row, by halving: element-wise operations over the whole array are vectorised."""
    n, length = rows.shape
    flat = rows.reshape(-1)
    low = high = flat
    done = 1
    # low[i] is the minimum of flat[i : i + done].
    while 2 * done <= length:
        low, high = np.minimum(low[:-done], low[done:]), np.maximum(high[:-done], high[done:])
        done *= 2
    first = np.arange(n) * length
    last = first + length - done
    return np.minimum(low[first], low[last]), np.maximum(high[first], high[last])
