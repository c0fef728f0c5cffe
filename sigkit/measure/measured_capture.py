"""A capture with everything that was measured on it."""

from __future__ import annotations

from dataclasses import dataclass

from sigkit.types.capture import Capture
from sigkit.types.firing_table import Table
from sigkit.types.firings import Firings
from sigkit.types.instants import Instants


@dataclass(frozen=True, eq=False)
class MeasuredCapture:
    """Result of measuring one capture.

    Attributes
    ----------
    capture : Capture
    table : Table
        Firing table: every column of `sigkit.types.firing_table.all_columns` (what context and
        classification add is still empty), then further columns. Rows go channel by channel, in the
        order of ``capture.channels``, and in time within a channel.
    intervals : Table
        All conduction intervals (`sigkit.types.firing_table.INTERVAL_COLUMNS`).
    firings : list of Firings
        One a channel, in the order of ``capture.channels``.
    instants : list of Instants
        The same.
    """

    capture: Capture
    table: Table
    intervals: Table
    firings: list[Firings]
    instants: list[Instants]

    def rows_of(self, channel_name: str) -> slice:
        """Return the rows of ``table`` that belong to a channel.

        Raises
        ------
        KeyError
            When the capture has no channel of that name.
        """
        first = 0
        for channel, firings in zip(self.capture.channels, self.firings, strict=True):
            if channel.name == channel_name:
                return slice(first, first + len(firings))
            first += len(firings)
        names = ", ".join(channel.name for channel in self.capture.channels)
        raise KeyError(f"{self.capture.name} has no channel {channel_name!r}; it has: {names}")
