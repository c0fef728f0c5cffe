"""Contract of a locator: the instants of given firings."""

from __future__ import annotations

from typing import Protocol, runtime_checkable

from sigkit.types.channel import Channel
from sigkit.types.firings import Firings
from sigkit.types.instants import Instants


@runtime_checkable
class Locator(Protocol):
    """Locates coil_on, coil_off, breakdown, burn_end and all conduction intervals.

    The conformance kit also reads, where there: ``invariances``, a tuple of ``"shift"``, ``"gain"``,
    ``"inversion"``, ``"offset"`` (changes of a record that must not change the answer, but for the shift and the
    polarity), and ``tunable``, a dict of one keyword of the constructor and the values a protocol chooses among.

    Attributes
    ----------
    name : str
    """

    name: str

    def locate(self, channel: Channel, firings: Firings) -> Instants:
        """Return the instants of the firings of one channel, row by row."""
        ...
