"""Contract of a screener: which captures of an archive to look at first."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Protocol, runtime_checkable

from sigkit.types.capture import Capture
from sigkit.types.firing_table import Table


@runtime_checkable
class Screener(Protocol):
    """Ranks captures, the most suspect first.

    ``tunable`` may name one keyword of the constructor and the values a protocol chooses among.

    Attributes
    ----------
    name : str
    """

    name: str

    def score_captures(self, table: Table, captures: Sequence[Capture]) -> Mapping[str, float]:
        """Return a score of each capture by name, the higher the more suspect; one left out ranks last.

        Parameters
        ----------
        table : Table
            Firings of the whole archive in context (`sigkit.context.apply_context`): roles, siblings and expected but
            absent firings (``firing`` below 0) filled in, conditions not.
        captures : sequence of Capture
            The archive.
        """
        ...
