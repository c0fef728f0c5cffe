"""The droop of a quick pickup, as the locator's network tells it from the shape of firings."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sigkit.locate.rough_windows import rough_windows
from sigkit.measure.fast_droop import estimate_fast_droop
from sigkit.prepare.channel_condition import ChannelCondition
from sigkit.prepare.droop import running_integral
from sigkit.types.channel import Channel
from sigkit.types.firings import Firings

#: A droop rate above this is taken from the network, 1/s, with this relative standard uncertainty (our figures: on
#: 240 simulated engines the middle half lay within 25 %, nine in ten within a factor of two).
QUICK_RATE, QUICK_U = 600.0, 0.3
#: Rates of a quick pickup from network and burn line may differ by this factor (our choice: nine in ten of the
#: network's lie within two).
MOST_APART = 2.5
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
        Firings to ask, one after the other.
    rise : ndarray, shape (n, m)
        Their samples from the end of the dwell to the collapse; NaN where there are none.
    condition : ChannelCondition
    offset : float
        Settled level of the channel, its unit; NaN where not known.

    Returns
    -------
    float
    """
    # Without a polarity the firing line tells it, which points away from the dwell; at low rates and behind a quick
    # pickup it may fall between samples.
    rise = np.nan_to_num(rise - rise[:, :1])
    top = np.take_along_axis(rise, np.abs(rise).argmax(axis=1)[:, None], axis=1)[:, 0]
    given = firings.polarity[rows]
    polarity = np.where(given != 0, given, np.sign(top)).astype(np.int8)
    own = Firings(
        firings.channel, firings.position[rows], firings.start[rows], firings.stop[rows], polarity,
        firings.event[rows],
    )  # fmt: skip
    level = np.full(len(rows), offset if np.isfinite(offset) else 0.0)
    return rough_windows(channel, own, condition, level).droop_rate


def quick_droop(
    told: float, rows: NDArray, breakdown: NDArray, burn_end: NDArray, interval_s: float
) -> tuple[float, float]:
    """Return droop rate and its standard uncertainty of a quick pickup; zeros where the network tells none.

    The burn line's own bend looks like droop as well: only where the network tells droop it tells the rate, and only a
    rate about the network's.

    Parameters
    ----------
    told : float
        Of `told_droop`, 1/s.
    rows : ndarray, shape (n, m)
        Windows less the settled level.
    breakdown, burn_end : ndarray, shape (n,)
        Columns.
    interval_s : float

    Returns
    -------
    rate, rate_u : float
        1/s.

    Examples
    --------
    >>> t = np.arange(1000) * 1e-6
    >>> rows, limits = np.exp(-t / 0.2e-3)[None, :], (np.array([-1.0]), np.array([1000.0]))
    >>> [round(quick_droop(told, rows, *limits, 1e-6)[0], -2) for told in (0.0, 3500.0, 20000.0)]
    [0.0, 4400.0, 20000.0]
    """
    if told <= QUICK_RATE:
        return 0.0, 0.0
    column = np.arange(rows.shape[1])
    burning = (column > breakdown[:, None] + 1) & (column < burn_end[:, None])
    fast, fast_u = estimate_fast_droop(rows, running_integral(rows, interval_s), burning)
    if fast > 0 and abs(np.log(fast / told)) < np.log(MOST_APART):
        return fast, fast_u
    return told, QUICK_U * told
