"""The droop of a quick pickup, as the locator's network tells it from the shape of firings."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sigkit.locate.rough_windows import rough_windows
from sigkit.prepare.channel_condition import ChannelCondition
from sigkit.types.channel import Channel
from sigkit.types.firings import Firings

#: A droop rate above this is taken from the network, 1/s, with this relative standard uncertainty (our figures: on
#: 240 simulated engines the middle half lay within 25 %, nine in ten within a factor of two).
QUICK_RATE, QUICK_U = 600.0, 0.3
#: A dozen firings tell what there is to tell (our choice).
MOST_FIRINGS = 12


def told_droop(
    channel: Channel, firings: Firings, rows: NDArray, rise: NDArray, condition: ChannelCondition, offset: float
) -> float:
    """Return the droop rate, 1/s; 0 where it is too slow for the locator to undo.

    Parameters
    ----------
    channel : Channel
    firings : Firings
    rows : ndarray of int, shape (n,)
        Firings that may be asked.
    rise : ndarray, shape (n, m)
        Their samples from the end of the dwell to the collapse, less the settled level; NaN where there are none.
    condition : ChannelCondition
    offset : float
        Settled level of the channel, its unit; NaN where not known.

    Returns
    -------
    float
    """
    some = slice(None, None, max(1, rows.size // MOST_FIRINGS))
    rows, rise = rows[some], rise[some]
    # The firing line points away from the dwell, whatever polarity was given; at low rates it may fall between samples.
    rise = np.nan_to_num(rise - rise[:, :1])
    top = np.take_along_axis(rise, np.abs(rise).argmax(axis=1)[:, None], axis=1)[:, 0]
    polarity = np.where(top != 0, np.sign(top), firings.polarity[rows]).astype(np.int8)
    own = Firings(
        firings.channel, firings.position[rows], firings.start[rows], firings.stop[rows], polarity,
        firings.event[rows],
    )  # fmt: skip
    level = np.full(len(rows), offset if np.isfinite(offset) else 0.0)
    return rough_windows(channel, own, condition, level).droop_rate
