"""Number the switching-off events of a capture: firings of several channels at one instant share a number."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

#: Firings on several channels closer than this are one event, seconds (our choice: coils of one engine
#: fire at least 1.6 ms apart up to 6000/min and six coils; one event spreads over less than 0.1 ms).
SAME_EVENT_S = 0.3e-3


def number_events(times_s: list[NDArray]) -> list[NDArray[np.int64]]:
    """Number the firings of several channels by event, in time order.

    Parameters
    ----------
    times_s : list of ndarray of float
        Switching-off instants of each channel on the common time axis, seconds, ascending.

    Returns
    -------
    list of ndarray of int64
        Event numbers, counted from 0.

    Examples
    --------
    >>> import numpy as np
    >>> [e.tolist() for e in number_events([np.array([0.01, 0.03]), np.array([0.01001, 0.02])])]
    [[0, 2], [0, 1]]
    """
    if not times_s:
        return []
    owner = np.concatenate([np.full(t.size, i) for i, t in enumerate(times_s)])
    times = np.concatenate(times_s)
    order = np.argsort(times, kind="stable")
    number = np.empty(times.size, dtype=np.int64)
    sorted_times = times[order]
    new = np.concatenate([[False], np.diff(sorted_times) > SAME_EVENT_S]) if times.size else np.zeros(0, bool)
    number[order] = np.cumsum(new)
    return [number[owner == i] for i in range(len(times_s))]
