"""Contract of a role judge: power or waste spark, for the firings of one engine."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol, runtime_checkable

import numpy as np
from numpy.typing import NDArray

from sigkit.types.capture import Capture
from sigkit.types.firing_table import Table


@runtime_checkable
class RoleJudge(Protocol):
    """Tells power from waste sparks.

    ``tunable`` may name one keyword of the constructor and the values a protocol chooses among.

    Attributes
    ----------
    name : str
    """

    name: str

    def judge_roles(self, table: Table, captures: Sequence[Capture]) -> NDArray[np.str_]:
        """Return the role of each row: ``power``, ``waste``, ``single`` or ``unknown``.

        Parameters
        ----------
        table : Table
            Measured firings of all captures of one engine (`sigkit.measure`), roles not filled in. Rows of one event
            on two channels share ``capture`` and ``event``; channels and captures are told apart by name.
        captures : sequence of Capture
            The captures, with what is known of leads, coil pairs and firing order. Sweeps of one recording share
            ``recording``.

        Returns
        -------
        ndarray of str, shape (n,)
        """
        ...
