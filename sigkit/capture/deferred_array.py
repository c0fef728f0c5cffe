"""An array of a file that is read only when it turns out to be the samples."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, eq=False)
class DeferredArray:
    """Shape and type of an array, and how to get it.

    Attributes
    ----------
    shape : tuple of int
    dtype : numpy.dtype
    load : callable
        Returns the array, memory-mapped where the file allows.
    """

    shape: tuple[int, ...]
    dtype: np.dtype
    load: Callable[[], NDArray]

    @property
    def ndim(self) -> int:
        return len(self.shape)

    @property
    def size(self) -> int:
        return math.prod(self.shape)
