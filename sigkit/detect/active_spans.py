"""Which spans of a long record show more than the noise of their recorder."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

#: A span is quiet up to this many widths of the quarter of narrow spans, and a step of the recorder (our choice: the
#: width of a thousand samples of noise hardly varies by a fifth).
QUIET_WIDTHS = 1.4
#: Quiet spans are left out only where the record is this many quiet widths wide, and its active spans at the median
#: are so many: then a burn line stands out of the noise too (our choice, checked on simulated engines).
RECORD_WIDTHS = 20.0
ACTIVE_WIDTHS = 3.0
#: With a larger share of active spans, leaving out the others is not worth it (our choice).
MOST_ACTIVE = 0.8


def active_spans(low: NDArray, high: NDArray, sample: NDArray, step: float) -> NDArray[np.bool_] | None:
    """Tell active spans from quiet ones.

    Parameters
    ----------
    low, high : ndarray, shape (s,)
        Smallest and largest value of each span.
    sample : ndarray of int64
        Spans by which the usual width is judged.
    step : float
        Of the recorder, in the unit of the values; 0 when unknown.

    Returns
    -------
    ndarray of bool, shape (s,), or None
        None where any span may hide a firing in its noise.

    Examples
    --------
    >>> low, high = np.zeros(9), np.array([1.0, 1, 1, 1, 1, 50, 1, 1, 1])
    >>> active_spans(low, high, np.arange(9), 0.0).nonzero()[0].tolist()
    [5]
    >>> active_spans(low, np.ones(9), np.arange(9), 0.0) is None
    True
    """
    width = high.astype(np.float64) - low
    limit = QUIET_WIDTHS * float(np.quantile(width[sample], 0.25)) + step
    active = width > limit
    share = float(active.mean())
    if share == 0 or share > MOST_ACTIVE or float(high.max()) - float(low.min()) < RECORD_WIDTHS * limit:
        return None
    if float(np.median(width[active])) < ACTIVE_WIDTHS * limit:
        return None
    return active
