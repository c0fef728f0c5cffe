"""Pass 2: cut equal windows around firings out of a channel, batched."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sigkit.types.channel import Channel


def cut_windows(channel: Channel, start: NDArray, length: int) -> NDArray[np.float64]:
    """Read windows of equal length; what lies outside the record is NaN.

    Parameters
    ----------
    channel : Channel
    start : ndarray of int, shape (n,)
        First sample of each window, may be negative.
    length : int
        Samples a window.

    Returns
    -------
    ndarray of float64, shape (n, length)
        In the unit of the channel.

    Examples
    --------
    >>> import numpy as np
    >>> from sigkit.types.channel import Channel
    >>> cut_windows(Channel("1", np.arange(4.0), 1.0), np.array([2]), 3).tolist()
    [[2.0, 3.0, nan]]
    """
    n = len(channel)
    start = np.asarray(start, dtype=np.int64)
    rows = np.empty((start.size, length))
    for row, first in zip(rows, start.tolist(), strict=True):
        low = min(max(first, 0), n)
        high = max(min(first + length, n), low)
        row[: low - first], row[high - first :] = np.nan, np.nan
        row[low - first : high - first] = channel.samples[low:high]
    rows -= channel.zero
    rows *= channel.scale
    return rows
