"""Power or waste by one level and one rule each; none says how sure it is."""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from sigkit.types.capture import Capture
from sigkit.types.firing_table import Table
from sigkit_baselines.lead_events import level, partner_rows, shared_leads, start_roles


class _ByLevel:
    """Each firing of a lead is power or waste by a level; the others fill in ``_power``."""

    name = ""
    tunable: ClassVar[dict[str, tuple[str, ...]]] = {"column": ("firing_level", "burn_level")}

    def __init__(self, column: str = "firing_level") -> None:
        self.column = column

    def judge_roles(self, table: Table, captures: Sequence[Capture]) -> NDArray:
        """Return the role of each row."""
        role, size = start_roles(table, captures), level(table, self.column)
        for rows in shared_leads(table, captures):
            power = self._power(size[rows])
            role[rows[power > 0]], role[rows[power < 0]] = "power", "waste"
        return role

    def _power(self, size: NDArray) -> NDArray[np.float64]:
        raise NotImplementedError


class HigherOfTwo(_ByLevel):
    """Of two alternate firings the one with the higher level is power (common practice, no source)."""

    name = "baseline_higher_of_two"

    def _power(self, size: NDArray) -> NDArray[np.float64]:
        power = np.zeros(size.size)
        if size.size < 2:
            return power
        steps = np.diff(size)
        # Each firing against the one before; the first against the second.
        power[1:], power[0] = np.sign(np.nan_to_num(steps)), -np.sign(np.nan_to_num(steps[0]))
        return power


class AboveMedian(_ByLevel):
    """Firings above the lead's median level are power."""

    name = "baseline_above_median"

    def _power(self, size: NDArray) -> NDArray[np.float64]:
        known = np.isfinite(size)
        return np.sign(np.nan_to_num(size - np.median(size[known]))) if known.any() else np.zeros(size.size)


class TwoClusters(_ByLevel):
    """Two clusters of the logarithm of the level, by k-means of the library scikit-learn."""

    name = "baseline_two_clusters"

    def _power(self, size: NDArray) -> NDArray[np.float64]:
        from sklearn.cluster import KMeans

        power, known = np.zeros(size.size), np.flatnonzero(np.isfinite(size) & (size > 0))
        values = np.log(size[known])
        if known.size < 2 or np.ptp(values) == 0:
            return power
        found = KMeans(2, n_init=4, random_state=0).fit(values[:, None])
        power[known] = np.where(found.labels_ == found.cluster_centers_[:, 0].argmax(), 1.0, -1.0)
        return power


class OrderParity(_ByLevel):
    """Every second firing in order is power: the half with the higher median level."""

    name = "baseline_order_parity"

    def _power(self, size: NDArray) -> NDArray[np.float64]:
        halves = [size[start::2][np.isfinite(size[start::2])] for start in (0, 1)]
        if min(half.size for half in halves) == 0:
            return np.zeros(size.size)
        sign = np.sign(np.median(halves[0]) - np.median(halves[1]))
        return np.where(np.arange(size.size) % 2 == 0, sign, -sign)


class HigherEnd:
    """The end of the coil with the higher level in an event is at power."""

    name = "baseline_higher_end"
    tunable: ClassVar[dict[str, tuple[str, ...]]] = {"column": ("firing_level", "burn_level")}

    def __init__(self, column: str = "firing_level") -> None:
        self.column = column

    def judge_roles(self, table: Table, captures: Sequence[Capture]) -> NDArray:
        """Return the role of each row."""
        role, size = start_roles(table, captures), level(table, self.column)
        other = partner_rows(table, captures)
        apart = np.where(other >= 0, size - size[other] if size.size else 0.0, np.nan)
        role[np.nan_to_num(apart) > 0], role[np.nan_to_num(apart) < 0] = "power", "waste"
        return role
