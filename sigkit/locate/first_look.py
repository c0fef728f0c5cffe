"""First look at the firings of a channel: rough windows, and rise and breakdown at the full rate."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from sigkit.locate.edge_features import REACH
from sigkit.locate.find_breakdown import AFTER_S, BEFORE_S, Breakdowns, find_breakdown
from sigkit.locate.levels_about import RunningLevels
from sigkit.locate.rough_windows import RoughWindows, rough_windows
from sigkit.prepare.channel_condition import ChannelCondition
from sigkit.prepare.firing_windows import cut_windows
from sigkit.types.channel import Channel
from sigkit.types.firings import Firings


@dataclass(frozen=True, eq=False)
class FirstLook:
    """Rough windows and breakdowns of n firings.

    Attributes
    ----------
    rough : RoughWindows
    found : Breakdowns
        In columns of the fine rows.
    fine : ndarray, shape (n, w)
        Rows about the onset at the full rate, signed, about the settled level; NaN off the record.
    origin : ndarray of int64, shape (n,)
        Sample of column 0 of the fine rows.
    breakdown : ndarray, shape (n,)
        Columns of the rough rows.
    column_noise : float
        Standard deviation of the noise of one rough column.
    """

    rough: RoughWindows
    found: Breakdowns
    fine: NDArray[np.float64]
    origin: NDArray[np.int64]
    breakdown: NDArray[np.float64]
    column_noise: float

    @cached_property
    def levels(self) -> RunningLevels:
        """Mean levels of the rough rows; three networks read them."""
        return RunningLevels(self.rough.rows)


def first_look(
    channel: Channel, firings: Firings, condition: ChannelCondition, level: NDArray, given_droop: float | None = None
) -> FirstLook:
    """Cut windows and find rise and breakdown.

    Parameters
    ----------
    channel : Channel
    firings : Firings
    condition : ChannelCondition
    level : ndarray, shape (n,)
        Settled level around each firing, channel units.
    given_droop : float, optional
        Droop rate to undo, 1/s; told from the windows by default.
    """
    rough = rough_windows(channel, firings, condition, level, given_droop)
    interval_s = 1.0 / channel.sample_rate_Hz
    # As far as the networks look about an edge found at the limits of the search: a window that ended before would tell
    # them where it was laid.
    before = round(BEFORE_S / interval_s) + max(round(0.35e-3 / interval_s), REACH)
    after = round(AFTER_S / interval_s) + max(round(0.25e-3 / interval_s), REACH)
    origin = firings.position - before
    fine = cut_windows(channel, origin, before + after + 1) * rough.sign[:, None]
    if rough.tone.frequency_Hz:
        # The tone counts from the middle of the first rough column.
        start = (origin - rough.origin)[:, None] - 0.5 * (rough.factor - 1)
        fine = fine - rough.tone.at((start + np.arange(fine.shape[1])) * interval_s)
    fine -= rough.baseline[:, None]
    found = find_breakdown(fine, before, interval_s, condition.noise)
    breakdown = rough.to_columns(origin + found.breakdown)
    return FirstLook(rough, found, fine, origin, breakdown, condition.noise / float(np.sqrt(rough.factor)))
