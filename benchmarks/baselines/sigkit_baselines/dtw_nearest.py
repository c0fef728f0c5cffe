"""Nearest neighbour under dynamic time warping, by the library aeon."""

from __future__ import annotations

import warnings
from importlib.util import find_spec
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from sigkit_baselines.trained_windows import TrainedWindows

if find_spec("aeon") is None:
    raise ImportError("aeon is not installed; install sigkit-baselines[conditions]")

#: Most points of a series and most training firings (our choice, for time).
MOST_POINTS, MOST_FIRINGS = 256, 500


class DtwNearest(TrainedWindows):
    """The condition of the nearest training firing.

    Parameters
    ----------
    window : float
        Width of the band of allowed warping, share of the length.
    """

    name = "baseline_dtw_nearest"
    tunable: ClassVar[dict[str, tuple[float, ...]]] = {"window": (0.02, 0.05, 0.1)}

    def __init__(self, window: float = 0.05) -> None:
        super().__init__()
        self.window = window

    def _train(self, X: NDArray, code: NDArray) -> None:
        kept = np.sort(_balanced(code, MOST_FIRINGS))
        self.known, self.code = _short(X[kept]), code[kept]

    def _score(self, X: NDArray) -> NDArray[np.float64]:
        with warnings.catch_warnings():
            # The library casts an unsigned loop counter; nothing we hand over.
            warnings.filterwarnings("ignore", message="unsafe cast from uint64 to int64")
            from aeon.distances import pairwise_distance

            distance = np.asarray(pairwise_distance(_short(X), self.known, method="dtw", window=self.window))
        nearest = [distance[:, self.code == k].min(axis=1) for k in range(len(self.classes))]
        return -np.sqrt(np.column_stack(nearest))


def _short(X: NDArray) -> NDArray[np.float64]:
    """Return series of at most `MOST_POINTS` block means, shape (n, 1, m)."""
    factor = -(-X.shape[1] // MOST_POINTS)
    cut = X[:, : X.shape[1] // factor * factor].astype(float)
    return np.ascontiguousarray(cut.reshape(X.shape[0], 1, -1, factor).mean(axis=3))


def _balanced(code: NDArray, most: int) -> NDArray[np.int64]:
    """Return rows in which every class has its turn until ``most`` are taken or none is left."""
    order = np.random.default_rng(0).permutation(code.size)
    turn = np.zeros(code.size, dtype=np.int64)
    for k in np.unique(code):
        own = order[code[order] == k]
        turn[own] = np.arange(own.size)
    return np.lexsort((code, turn))[:most].astype(np.int64)
