"""The score of one table of predictions, and what the tasks' scores are made with: pairing, figures, intervals."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sigkit.bench.protocol import Protocol
from sigkit.score.bootstrap import bootstrap_interval
from sigkit.score.estimate import Estimate
from sigkit.score.match import match_events
from sigkit.types.firing_table import Table

#: Times are compared in whole microseconds, which no sample rate in use is finer than by much.
PER_SECOND = 1_000_000
RESAMPLES = 500
KINDS = ("secondary_voltage",)


@dataclass(frozen=True, eq=False)
class Scored:
    """Score of one table of predictions.

    Attributes
    ----------
    metrics : dict
        Name -> ``value``, ``low``, ``high``, ``unit``.
    primary : str
        Name of the metric that ranks.
    engine : ndarray of str, shape (n,)
        Engine of each outcome.
    outcomes : dict of ndarray, shape (n,)
        What `primary_statistic` takes, in order.
    counted : int
        True events that had to be answered.
    """

    metrics: dict[str, dict[str, Any]]
    primary: str
    engine: NDArray[np.str_]
    outcomes: dict[str, NDArray[np.float64]]
    counted: int


def channel_keys(table: Table) -> NDArray[np.str_]:
    """Return capture and channel of each row in one word."""
    return np.array(
        [f"{capture}|{channel}" for capture, channel in zip(table["capture"], table["channel"], strict=True)],
        dtype=object,
    )


def wanted_firings(truth: Table) -> NDArray[np.bool_]:
    """Tell which true firings an algorithm may be asked about: of a lead, on the record, really there."""
    return (
        np.isin(truth["kind"].astype(str), KINDS)
        & truth["on_record"]
        & ~truth["absent"]
        & np.isfinite(truth["coil_off_s"])
    )


def channel_engines(truth: Table) -> dict[str, str]:
    """Return the engine of each channel that shows a lead, by `channel_keys`."""
    own = np.isin(truth["kind"].astype(str), KINDS)
    return dict(zip(channel_keys(truth)[own], truth["engine"][own].astype(str), strict=True))


def matched_rows(protocol: Protocol, truth: Table, found: Table, asked: NDArray) -> NDArray[np.int64]:
    """Return the row of the prediction that belongs to each row of the truth asked about, -1 for none.

    All true firings of a channel take part in the pairing, so that the answer for one is not taken for another.
    """
    answer = np.full(len(truth["capture"]), -1, dtype=np.int64)
    real = np.flatnonzero(wanted_firings(truth))
    real_keys, found_keys = channel_keys(truth)[real], channel_keys(found)
    order = np.argsort(found_keys, kind="stable")
    ordered = found_keys[order]
    for key in np.unique(real_keys):
        rows = real[real_keys == key]
        low, high = np.searchsorted(ordered, key, "left"), np.searchsorted(ordered, key, "right")
        mine = order[low:high]
        if mine.size:
            pairs = match_events(
                np.round(truth["coil_off_s"][rows] * PER_SECOND).astype(np.int64),
                np.round(found["time_s"][mine] * PER_SECOND).astype(np.int64),
                round(protocol.tolerance_s * PER_SECOND),
            )
            answer[rows[pairs.first]] = mine[pairs.second]
    return answer[asked]


def metric(value: Estimate | float, unit: str) -> dict[str, Any]:
    """Return a figure as `Scored` keeps it; a plain number has no interval."""
    if isinstance(value, Estimate):
        return {"value": value.value, "low": value.low, "high": value.high, "unit": unit}
    return {"value": float(value), "low": float("nan"), "high": float("nan"), "unit": unit}


def taken(column: NDArray, row: NDArray) -> NDArray[np.float64]:
    """Return the numbers of these rows, NaN for a row of -1."""
    return np.where(row >= 0, np.append(np.asarray(column, dtype=float), np.nan)[row], np.nan)


def scaled(value: Estimate, factor: float, unit: str) -> dict[str, Any]:
    """Return a figure in another unit."""
    return metric(Estimate(value.value * factor, value.low * factor, value.high * factor), unit)


def mean_by_engine(value: NDArray, engine: NDArray, rng: np.random.Generator) -> Estimate:
    """Return a mean with its interval by bootstrap over engines."""
    low, high = bootstrap_interval(plain_mean, [value], engine, rng, 0.95, RESAMPLES)
    return Estimate(plain_mean(value), low, high)


def plain_mean(value: NDArray) -> float:
    """Return a mean as a plain number, NaN of nothing."""
    return float(np.mean(value)) if np.size(value) else float("nan")
