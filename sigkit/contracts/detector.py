"""Contract of a detector: where the firings of a capture are."""

from __future__ import annotations

from typing import Protocol, runtime_checkable

from sigkit.types.capture import Capture
from sigkit.types.firings import Firings


@runtime_checkable
class Detector(Protocol):
    """Finds the firings of every channel of a capture.

    The conformance kit also reads, where there: ``invariances``, a tuple of ``"shift"``, ``"gain"``,
    ``"inversion"``, ``"offset"`` (changes of a record that must not change the answer, but for the shift and the
    polarity), and ``tunable``, a dict of one keyword of the constructor and the values a protocol chooses among.

    Attributes
    ----------
    name : str
    """

    name: str

    def detect(self, capture: Capture) -> list[Firings]:
        """Return one `Firings` for each channel, in the order of ``capture.channels``."""
        ...
