"""Contract of a detector: where the firings of a capture are."""

from __future__ import annotations

from typing import Protocol, runtime_checkable

from sigkit.types.capture import Capture
from sigkit.types.firings import Firings


@runtime_checkable
class Detector(Protocol):
    """Finds the firings of every channel of a capture.

    Attributes
    ----------
    name : str
    """

    name: str

    def detect(self, capture: Capture) -> list[Firings]:
        """Return one `Firings` for each channel, in the order of ``capture.channels``."""
        ...
