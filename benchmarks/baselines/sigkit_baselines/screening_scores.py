"""Which captures to look at first, by general outlier scores and the trade's limits."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from sigkit.types.capture import Capture
from sigkit.types.firing_table import Table

#: Quantities looked at; magnitudes, in logarithms.
QUANTITIES = ("firing_level", "burn_level", "burn_time_ms", "ring_damping_ratio")
#: From here on a robust deviation counts no more (our choice): one wild number shall not rule an archive.
MOST_DEVIATION = 10.0


def by_capture(table: Table, values: NDArray) -> dict[str, float]:
    """Return the score of each capture: that of its worst lead, a lead's being the mean of its firings."""
    score: dict[str, float] = {}
    keys = np.array([f"{a}\x1f{b}" for a, b in zip(table["capture"], table["channel"], strict=True)], dtype=object)
    for key in sorted(set(keys)):
        own = values[(keys == key) & np.isfinite(values)]
        name = str(key).split("\x1f")[0]
        score[name] = max(score.get(name, 0.0), float(own.mean()) if own.size else 0.0)
    return score


def columns_of(table: Table) -> NDArray[np.float64]:
    """Return logarithms of the quantities, shape (n, k), less the engine's median of the same role; NaN missing."""
    with np.errstate(divide="ignore", invalid="ignore"):
        raw = np.log(np.abs(np.column_stack([np.asarray(table[name], dtype=float) for name in QUANTITIES])))
    raw = np.where(np.isfinite(raw), raw, np.nan)
    group = np.array([f"{a}\x1f{b}" for a, b in zip(table["engine"], table["role"], strict=True)], dtype=object)
    for key in set(group):
        rows = np.flatnonzero((group == key) & (table["firing"] >= 0))
        for k in range(raw.shape[1]):
            known = raw[rows, k][np.isfinite(raw[rows, k])]
            raw[rows, k] -= np.median(known) if known.size else 0.0
    return raw


class RobustDeviation:
    """Deviation from the engine's median in units of the archive's median absolute deviation, the largest counts."""

    name = "baseline_robust_deviation"

    def score_captures(self, table: Table, captures: Sequence[Capture]) -> Mapping[str, float]:
        """Return a score a capture."""
        apart = columns_of(table)
        if apart.shape[0] == 0:
            return {}
        for k in range(apart.shape[1]):
            known = np.abs(apart[:, k][np.isfinite(apart[:, k])])
            scale = 1.4826 * float(np.median(known)) if known.size else 0.0
            apart[:, k] = np.minimum(np.abs(apart[:, k]) / scale, MOST_DEVIATION) if scale > 0 else np.nan
        largest = np.max(np.nan_to_num(apart), axis=1)
        # A missing spark is as far out as can be.
        gone = np.isin(table["sparked"].astype(str), ("no", "flash")) | (table["firing"] < 0)
        return by_capture(table, np.where(gone, MOST_DEVIATION, largest))


class OutlierForest:
    """Isolation forest (Liu and others 2008) over the firings of the archive, by the library scikit-learn."""

    name = "baseline_isolation_forest"

    def score_captures(self, table: Table, captures: Sequence[Capture]) -> Mapping[str, float]:
        """Return a score a capture."""
        from sklearn.ensemble import IsolationForest

        apart = columns_of(table)
        if apart.shape[0] < 2:
            return {str(name): 0.0 for name in table["capture"]}
        given = np.column_stack([np.nan_to_num(apart), np.isnan(apart).astype(float)])
        found = IsolationForest(n_estimators=300, random_state=0, n_jobs=1).fit(given)
        return by_capture(table, -found.score_samples(given))


class TradeLimits:
    """Share of firings outside the trade's usual values of a lead (common practice, no source).

    Parameters
    ----------
    margin : float
        Widens the limits by this factor.
    """

    name = "baseline_trade_limits"
    tunable: ClassVar[dict[str, tuple[float, ...]]] = {"margin": (1.0, 1.25, 1.6, 2.0)}
    #: Column, lowest and highest usual value by role: kilovolts only where the pickup's ratio is known.
    LIMITS: ClassVar[tuple[tuple[str, tuple[str, ...], float, float], ...]] = (
        ("firing_voltage_kV", ("power", "single"), 5.0, 15.0),
        ("firing_voltage_kV", ("waste",), 1.0, 4.0),
        ("burn_voltage_kV", ("power", "single"), 1.0, 3.0),
        ("burn_time_ms", ("power", "single", "waste", "unknown"), 0.8, 2.0),
    )

    def __init__(self, margin: float = 1.0) -> None:
        self.margin = margin

    def score_captures(self, table: Table, captures: Sequence[Capture]) -> Mapping[str, float]:
        """Return a score a capture."""
        outside = np.isin(table["sparked"].astype(str), ("no", "flash")) | (table["firing"] < 0)
        for column, roles, low, high in self.LIMITS:
            size = np.abs(np.asarray(table[column], dtype=float))
            wrong = (size < low / self.margin) | (size > high * self.margin)
            outside |= wrong & np.isin(table["role"].astype(str), roles)
        return by_capture(table, outside.astype(float))
