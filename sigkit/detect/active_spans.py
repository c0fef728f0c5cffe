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


def quiet_limit(width: NDArray[np.float64], step: float) -> float:
    """Return the width up to which a span shows no more than noise.

    Parameters
    ----------
    width : ndarray, shape (k,)
        Widths of spans spread over the record.
    step : float
        Of the recorder, in the unit of the widths; 0 when unknown.

    Examples
    --------
    >>> quiet_limit(np.array([10.0, 10.0, 10.0, 90.0]), 1.0)
    15.0
    """
    return QUIET_WIDTHS * float(np.quantile(width, 0.25)) + step


def stand_out(width: NDArray[np.float64], record_width: float, limit: float) -> bool:
    """Return whether the spans wider than the limit tell all firings; else any span may hide one in its noise.

    Parameters
    ----------
    width : ndarray, shape (s,)
        How far the values of each span reach.
    record_width : float
        How far those of the whole record do.
    limit : float
        From `quiet_limit`.

    Examples
    --------
    >>> stand_out(np.array([1.0, 1, 1, 1, 1, 50, 1, 1, 1]), 50.0, 1.4), stand_out(np.ones(9), 1.0, 1.4)
    (True, False)
    """
    active = width > limit
    share = float(active.mean())
    if share == 0 or share > MOST_ACTIVE or record_width < RECORD_WIDTHS * limit:
        return False
    return float(np.median(width[active])) >= ACTIVE_WIDTHS * limit
