"""What a screen can show of a channel: exact samples where they fit, else minimum and maximum of equal stretches."""

from __future__ import annotations

import threading
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sigkit.types.channel import Channel

#: Samples of a stored stretch (our choice: 100 M samples make 390 k pairs, reduced further in a millisecond).
#: The blocks of `sigkit.prepare.block_summary` also carry sums, which cost three times as long here for nothing.
BLOCK = 256
#: Samples reduced at a time (our choice: stays in cache).
_READ = 1 << 20
#: Up to this many samples a bucket, everything is sent as it is (our choice).
EXACT_SAMPLES = 4
MOST_BUCKETS = 4096


@dataclass(frozen=True, eq=False)
class Trace:
    """Part of a channel as it goes to the screen.

    Attributes
    ----------
    exact : bool
        ``values`` holds samples; otherwise minimum and maximum of each stretch, in turn.
    first : int
        Sample at which it begins.
    step : int
        Samples a value (exact) or a pair stands for.
    values : ndarray of float32
        In the unit of the channel.
    """

    exact: bool
    first: int
    step: int
    values: NDArray[np.float32]


class ChannelExtremes:
    """Cuts traces from a channel; block extremes are made once, when a long stretch is first asked for.

    Parameters
    ----------
    channel : Channel

    Examples
    --------
    >>> import numpy as np
    >>> made = ChannelExtremes(Channel("1", np.arange(100_000, dtype="int16"), 1e6))
    >>> made.trace(10, 14, 100).values.tolist()
    [10.0, 11.0, 12.0, 13.0]
    >>> made.trace(0, 1_000, 10).values[:4].tolist()
    [0.0, 99.0, 100.0, 199.0]
    """

    def __init__(self, channel: Channel) -> None:
        self.channel = channel
        self._blocks: tuple[NDArray, NDArray] | None = None
        self._guard = threading.Lock()

    def trace(self, start: int, stop: int, buckets: int) -> Trace:
        """Return what shows samples ``start:stop`` in ``buckets`` columns of a screen.

        Parameters
        ----------
        start, stop : int
            Clipped to the record.
        buckets : int
            1 to `MOST_BUCKETS`; at most twice as many pairs come back.
        """
        n = len(self.channel)
        start, stop = max(0, start), min(n, stop)
        buckets = min(max(1, buckets), MOST_BUCKETS)
        length = stop - start
        if length <= 0:
            return Trace(True, start, 1, np.empty(0, np.float32))
        if length <= EXACT_SAMPLES * buckets:
            return Trace(True, start, 1, self.channel.values(start, stop).astype(np.float32))
        step = -(-length // buckets)
        # Stretches lie on multiples of their length, so panning does not make the picture flicker.
        if step < 4 * BLOCK:
            begin = start // step * step
            low, high = _reduce(np.asarray(self.channel.samples[begin : min(-(-stop // step) * step, n)]), step)
        else:
            step = -(-step // BLOCK) * BLOCK
            begin = start // step * step
            blocks = step // BLOCK
            one, last = begin // BLOCK, -(-stop // step) * blocks
            lowest, highest = self._block_extremes()
            low, high = _reduce(lowest[one:last], blocks)[0], _reduce(highest[one:last], blocks)[1]
        pairs = np.stack([low, high], axis=1).astype(np.float64).ravel()
        values = (pairs - self.channel.zero) * self.channel.scale
        return Trace(False, begin, step, values.astype(np.float32))

    def _block_extremes(self) -> tuple[NDArray, NDArray]:
        with self._guard:
            if self._blocks is None:
                samples = self.channel.samples
                parts = [_reduce(np.asarray(samples[at : at + _READ]), BLOCK) for at in range(0, len(samples), _READ)]
                self._blocks = (np.concatenate([one for one, _ in parts]), np.concatenate([one for _, one in parts]))
            return self._blocks


def _reduce(samples: NDArray, step: int) -> tuple[NDArray, NDArray]:
    """Return minimum and maximum of each ``step`` samples, the last ones included; NaN counts only when alone."""
    floating = samples.dtype.kind == "f"
    least, most = (np.fmin, np.fmax) if floating else (np.minimum, np.maximum)
    whole = samples.shape[0] // step
    rows = samples[: whole * step].reshape(whole, step)
    low, high = least.reduce(rows, axis=1), most.reduce(rows, axis=1)
    if whole * step < samples.shape[0]:
        rest = samples[whole * step :]
        low, high = np.append(low, least.reduce(rest)), np.append(high, most.reduce(rest))
    return low, high
