"""Tell a lead's own firings from what it picks up of its neighbours."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sigkit.detect.event_numbers import SAME_EVENT_S

#: Own firings reach at least this share of the channel's usual height (our choice: crosstalk of
#: neighbouring leads is a few per cent, a waste spark a tenth or more; common practice, no source).
OWN_SHARE = 0.085
#: Below this share a firing needs to stand alone: a taller one at the same instant on another channel
#: marks it as crosstalk (our choice).
DOUBTFUL_SHARE = 0.25
#: How much taller (relative to each channel's usual height) the other channel must be (our choice).
TALLER = 4.0


def own_firings(
    times_s: list[NDArray], heights: list[NDArray], usual: list[float], kinds: list[str]
) -> list[NDArray[np.bool_]]:
    """Mark the firings that are the channel's own.

    Parameters
    ----------
    times_s : list of ndarray of float
        Instants of each channel's candidates, seconds, ascending.
    heights : list of ndarray of float
        Their heights, channel units.
    usual : list of float
        Usual firing height of each channel.
    kinds : list of str
        Channel kinds; crosstalk between leads concerns secondary and unknown channels.

    Returns
    -------
    list of ndarray of bool
    """
    shares = [h / u if u > 0 else np.zeros_like(h) for h, u in zip(heights, usual, strict=True)]
    keep = [s >= OWN_SHARE for s in shares]
    leads = [i for i, kind in enumerate(kinds) if kind in ("secondary_voltage", "unknown")]
    for i in leads:
        for j in leads:
            if i == j or times_s[j].size == 0 or times_s[i].size == 0:
                continue
            at = np.searchsorted(times_s[j], times_s[i])
            left, right = np.clip(at - 1, 0, None), np.clip(at, None, times_s[j].size - 1)
            for other in (left, right):
                near = np.abs(times_s[j][other] - times_s[i]) <= SAME_EVENT_S
                taller = shares[j][other] > TALLER * shares[i]
                keep[i] &= ~(near & taller & (shares[i] < DOUBTFUL_SHARE))
    return keep
