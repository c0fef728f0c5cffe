"""Contract of a locator: the instants of given firings."""

from __future__ import annotations

from typing import Protocol, runtime_checkable

from sigkit.types.channel import Channel
from sigkit.types.firings import Firings
from sigkit.types.instants import Instants


@runtime_checkable
class Locator(Protocol):
    """Locates coil_on, coil_off, breakdown, burn_end and all conduction intervals.

    Attributes
    ----------
    name : str
    """

    name: str

    def locate(self, channel: Channel, firings: Firings) -> Instants:
        """Return the instants of the firings of one channel, row by row."""
        ...
