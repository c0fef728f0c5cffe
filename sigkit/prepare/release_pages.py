"""Give pages of a read-only memory map back, so that reading a long file once does not fill the memory."""

from __future__ import annotations

import mmap

import numpy as np
from numpy.typing import NDArray

#: Shorter maps are left alone: reading them again would cost more than they hold, bytes (our choice).
SHORTEST_BYTES = 1 << 28


def release_pages(samples: NDArray) -> None:
    """Tell the system that the pages of a map opened for reading are not needed now; they stay in its file cache.

    Anything else than a ``numpy.memmap`` of mode ``"r"`` is left alone: elsewhere pages hold the only copy.

    Parameters
    ----------
    samples : ndarray
        As stored in a channel.

    Examples
    --------
    >>> release_pages(np.zeros(3))
    """
    if not isinstance(samples, np.memmap) or samples.mode != "r":
        return
    held: object = samples
    while isinstance(held, np.ndarray):
        held = held.base
    if isinstance(held, mmap.mmap) and hasattr(mmap, "MADV_DONTNEED"):
        if len(held) >= SHORTEST_BYTES:
            held.madvise(mmap.MADV_DONTNEED)
