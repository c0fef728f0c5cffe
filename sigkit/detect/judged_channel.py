"""The swings of one channel with what is known of each."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, eq=False)
class JudgedChannel:
    """Swings of one channel, in time order. Arrays have shape (n,) unless said otherwise.

    Attributes
    ----------
    position : ndarray of int64
        Sample.
    time_s : ndarray of float64
        On the capture's axis.
    direction : ndarray of int64
        +1 up, -1 down.
    size : ndarray of float64
        Channel units, positive.
    log_odds : ndarray of float64
        That the swing is a switching-off, by what stands around it alone.
    shape : ndarray of float32, shape (n, k)
        Levels about the swing, turned so that it goes up.
    start_s, stop_s : float
        Ends of the record on the capture's axis.
    """

    position: NDArray[np.int64]
    time_s: NDArray[np.float64]
    direction: NDArray[np.int64]
    size: NDArray[np.float64]
    log_odds: NDArray[np.float64]
    shape: NDArray[np.float32]
    start_s: float
    stop_s: float

    @classmethod
    def without_swings(cls, start_s: float = 0.0, stop_s: float = 0.0) -> JudgedChannel:
        """Return a channel on which nothing stands out."""
        none, zero = np.zeros(0, dtype=np.int64), np.zeros(0)
        return cls(none, zero, none, zero, zero, np.zeros((0, 1), dtype=np.float32), start_s, stop_s)

    def take(self, rows: NDArray) -> JudgedChannel:
        """Return the swings with the given row numbers."""
        return JudgedChannel(
            self.position[rows], self.time_s[rows], self.direction[rows], self.size[rows], self.log_odds[rows],
            self.shape[rows], self.start_s, self.stop_s,
        )  # fmt: skip
