"""First look at the firings of a channel: rough windows, and rise and breakdown at the full rate."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sigkit.locate.find_breakdown import Breakdowns, find_breakdown
from sigkit.locate.levels_about import RunningLevels
from sigkit.locate.rise_choice import ChosenRises, choose_rises, rises_about
from sigkit.locate.rough_windows import RoughWindows, rough_windows
from sigkit.prepare.channel_condition import ChannelCondition
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
    levels : RunningLevels
        Mean levels of the rough rows; several networks read them.
    rise : ChosenRises
        In columns of the fine rows.
    """

    rough: RoughWindows
    found: Breakdowns
    fine: NDArray[np.float64]
    origin: NDArray[np.int64]
    breakdown: NDArray[np.float64]
    column_noise: float
    levels: RunningLevels
    rise: ChosenRises


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
    levels = RunningLevels(rough.rows)
    rises = rises_about(channel, firings, condition, rough, levels)
    rise = choose_rises(rises)
    found = find_breakdown(
        rises.rows, rise.column, rises.column[:, 0], 1.0 / channel.sample_rate_Hz, condition.noise
    )
    breakdown = rough.to_columns(rises.origin + found.breakdown)
    column_noise = condition.noise / float(np.sqrt(rough.factor))
    return FirstLook(rough, found, rises.rows, rises.origin, breakdown, column_noise, levels, rise)
