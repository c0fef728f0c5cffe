"""What a detector says of one channel: where the firings are."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, eq=False)
class Firings:
    """Firings of one channel, in time order. All arrays have shape (n,).

    Attributes
    ----------
    channel : str
        Name of the channel.
    position : ndarray of int64
        Sample nearest to the switching-off that starts the firing (0 ... len(channel)-1).
    start, stop : ndarray of int64
        Window that holds the whole firing, dwell and ring included, as far as recorded; windows of
        neighbouring firings may overlap.
    polarity : ndarray of int8
        Sign of the firing line as recorded: -1, +1, or 0 where it cannot be told.
    event : ndarray of int64
        Number of the switching-off over all channels of the capture; firings of one event share it.
    """

    channel: str
    position: NDArray[np.int64]
    start: NDArray[np.int64]
    stop: NDArray[np.int64]
    polarity: NDArray[np.int8]
    event: NDArray[np.int64]

    def __len__(self) -> int:
        return int(self.position.shape[0])
