"""Score predictions against the truth: the metrics of each task, and the outcomes that rivals are paired by."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sigkit.bench.protocol import Protocol
from sigkit.bench.score_conditions import coded_macro_f1, score_conditions
from sigkit.bench.scored import (
    RESAMPLES,
    Scored,
    channel_engines,
    channel_keys,
    matched_rows,
    mean_by_engine,
    metric,
    plain_mean,
    scaled,
    taken,
    wanted_firings,
)
from sigkit.errors import SettingsError
from sigkit.score.bootstrap import bootstrap_interval
from sigkit.score.detection import score_detection
from sigkit.score.error_summary import error_summary
from sigkit.score.estimate import Estimate
from sigkit.score.interval_quality import interval_quality
from sigkit.types.firing_table import Table

#: Limits on the error of a burn time, seconds, and on the relative error of a burn voltage (our choice).
BURN_TIME_LIMITS_S = (10e-6, 25e-6, 50e-6, 100e-6)
PRIMARY_BURN_TIME_S = 25e-6
PRIMARY_BURN_VOLTAGE = 0.02


def primary_statistic(task: str) -> Callable[..., float]:
    """Return the statistic that ranks a task's algorithms, as a function of their outcome columns."""
    return _STATISTICS[task]


def score_task(protocol: Protocol, truth: Table, found: Table, seed: int) -> Scored:
    """Score predictions for a split.

    Parameters
    ----------
    protocol : Protocol
    truth : Table
        Of the split.
    found : Table
        Predictions, see `sigkit.bench.prediction_table`.
    seed : int
        Of the bootstrap.

    Raises
    ------
    SettingsError
        When the truth of the split holds nothing the task speaks of.
    """
    scored = _SCORERS[protocol.task](protocol, truth, found, np.random.default_rng([seed, 3]))
    if scored.counted == 0:
        raise SettingsError(f"{protocol.name}: the split holds no event that {protocol.task} speaks of")
    return scored


def _detection(protocol: Protocol, truth: Table, found: Table, rng: np.random.Generator) -> Scored:
    engine_of = channel_engines(truth)
    rows = np.flatnonzero(wanted_firings(truth))
    own = np.array([key in engine_of for key in channel_keys(found)], dtype=bool) & np.isfinite(found["time_s"])
    found = {name: column[own] for name, column in found.items()}
    score = score_detection(
        truth["coil_off_s"][rows],
        channel_keys(truth)[rows],
        found["time_s"],
        channel_keys(found),
        engine_of,
        protocol.tolerance_s,
        rng,
        resamples=RESAMPLES,
    )
    hit = np.zeros(len(truth["capture"]))
    hit[rows] = matched_rows(protocol, truth, found, rows) >= 0
    keys = sorted(engine_of)
    place = {key: number for number, key in enumerate(keys)}
    sums = np.zeros((3, len(keys)))
    np.add.at(sums[0], [place[k] for k in channel_keys(truth)[rows]], hit[rows])
    np.add.at(sums[1], [place[k] for k in channel_keys(truth)[rows]], 1.0)
    np.add.at(sums[2], [place[k] for k in channel_keys(found)], 1.0)
    metrics = {
        "F1": metric(score.f1, "share"),
        "recall": metric(score.recall, "share"),
        "precision": metric(score.precision, "share"),
    }
    if score.hits:
        metrics["median timing error"] = scaled(score.timing_s.median_absolute, 1e6, "µs")
        metrics["95 % quantile of the timing error"] = scaled(score.timing_s.p95_absolute, 1e6, "µs")
    outcomes = dict(zip(("hits", "real", "found"), sums, strict=True))
    return Scored(metrics, "F1", np.array([engine_of[key] for key in keys]), outcomes, rows.size)


def _polarity(protocol: Protocol, truth: Table, found: Table, rng: np.random.Generator) -> Scored:
    engine_of = channel_engines(truth)
    rows = np.flatnonzero(wanted_firings(truth))
    true_sign = dict(zip(channel_keys(truth)[rows], truth["polarity"][rows], strict=True))
    votes: dict[str, float] = {}
    for key, sign in zip(channel_keys(found), found["polarity"], strict=True):
        votes[key] = votes.get(key, 0.0) + (float(sign) if str(sign) not in ("", "nan") else 0.0)
    keys = sorted(true_sign)
    right = np.array([np.sign(votes.get(key, 0.0)) == np.sign(float(true_sign[key])) for key in keys], dtype=float)
    answered = np.array([votes.get(key, 0.0) != 0.0 for key in keys], dtype=float)
    engine = np.array([engine_of[key] for key in keys])
    metrics = {
        "right, by lead": metric(mean_by_engine(right, engine, rng), "share"),
        "answered": metric(mean_by_engine(answered, engine, rng), "share"),
    }
    return Scored(metrics, "right, by lead", engine, {"right": right}, len(keys))


def _burn_time(protocol: Protocol, truth: Table, found: Table, rng: np.random.Generator) -> Scored:
    asked = np.flatnonzero(wanted_firings(truth) & truth["measurable"])
    row = matched_rows(protocol, truth, found, asked)
    true_s = truth["burn_time_ms"][asked] * 1e-3
    engine = truth["engine"][asked].astype(str)
    error = taken(found["burn_time_ms"], row) * 1e-3 - true_s
    summary = error_summary(error, engine, rng, BURN_TIME_LIMITS_S, resamples=RESAMPLES)
    name = f"within {round(PRIMARY_BURN_TIME_S * 1e6)} µs"
    metrics = {
        name: metric(summary.within[PRIMARY_BURN_TIME_S], "share"),
        "answered": metric(summary.answered_share, "share"),
    }
    if summary.answered:
        metrics |= {
            "median error": scaled(summary.median_absolute, 1e6, "µs"),
            "95 % quantile": scaled(summary.p95_absolute, 1e6, "µs"),
            "99 % quantile": scaled(summary.p99_absolute, 1e6, "µs"),
            "bias": scaled(summary.bias, 1e6, "µs"),
        }
    metrics |= {
        f"within {round(limit * 1e6)} µs": metric(summary.within[limit], "share")
        for limit in BURN_TIME_LIMITS_S
        if limit != PRIMARY_BURN_TIME_S
    }
    metrics |= _interval_metrics(found, "burn_time", "ms", row, truth["burn_time_ms"][asked], engine, rng)
    close = (np.abs(error) <= PRIMARY_BURN_TIME_S).astype(float)
    return Scored(metrics, name, engine, {"close": close}, asked.size)


def _burn_voltage(protocol: Protocol, truth: Table, found: Table, rng: np.random.Generator) -> Scored:
    asked = np.flatnonzero(wanted_firings(truth) & truth["measurable"] & np.isfinite(truth["burn_voltage_V"]))
    row = matched_rows(protocol, truth, found, asked)
    true = truth["burn_voltage_V"][asked]
    engine = truth["engine"][asked].astype(str)
    relative = (taken(found["burn_voltage_V"], row) - true) / np.abs(true)
    summary = error_summary(relative, engine, rng, (0.01, PRIMARY_BURN_VOLTAGE, 0.05), resamples=RESAMPLES)
    name = "within 2 %"
    metrics = {
        name: metric(summary.within[PRIMARY_BURN_VOLTAGE], "share"),
        "answered": metric(summary.answered_share, "share"),
    }
    if summary.answered:
        metrics |= {
            "median error": scaled(summary.median_absolute, 100.0, "%"),
            "95 % quantile": scaled(summary.p95_absolute, 100.0, "%"),
        }
    metrics |= _interval_metrics(found, "burn_voltage", "V", row, true, engine, rng)
    close = (np.abs(relative) <= PRIMARY_BURN_VOLTAGE).astype(float)
    return Scored(metrics, name, engine, {"close": close}, asked.size)


def _role(protocol: Protocol, truth: Table, found: Table, rng: np.random.Generator) -> Scored:
    asked = np.flatnonzero(wanted_firings(truth) & np.isin(truth["role"].astype(str), ("power", "waste")))
    asked = asked[truth["sparked"][asked].astype(str) == "yes"]
    row = matched_rows(protocol, truth, found, asked)
    answer = np.array([str(found["role"][one]) if one >= 0 else "" for one in row], dtype=object)
    decided = np.isin(answer.astype(str), ("power", "waste", "single"))
    right = (answer == truth["role"][asked]).astype(float)
    engine = truth["engine"][asked].astype(str)
    metrics = {
        "right": metric(mean_by_engine(right, engine, rng), "share"),
        "decided": metric(mean_by_engine(decided.astype(float), engine, rng), "share"),
    }
    if decided.any():
        metrics["right of decided"] = metric(mean_by_engine(right[decided], engine[decided], rng), "share")
    return Scored(metrics, "right", engine, {"right": right}, asked.size)


def _rank(protocol: Protocol, truth: Table, found: Table, rng: np.random.Generator) -> Scored:
    names = np.unique(truth["capture"].astype(str))
    score: dict[str, float] = {}
    for capture, value in zip(found["capture"], found["score"], strict=True):
        if np.isfinite(value):
            score[str(capture)] = max(score.get(str(capture), -np.inf), float(value))
    faulty, engine, value = [], [], []
    least = min(score.values(), default=0.0) - 1.0
    for name in names:
        rows = np.flatnonzero(truth["capture"].astype(str) == name)
        faulty.append(float(np.any(truth["lead_condition"][rows].astype(str) != "normal")))
        engine.append(str(truth["engine"][rows[0]]))
        # A capture that was not ranked counts as the least suspect of all.
        value.append(score.get(name, least))
    outcomes = {"faulty": np.array(faulty), "score": np.array(value)}
    area = Estimate(
        _area(**outcomes), *bootstrap_interval(_area, list(outcomes.values()), engine, rng, 0.95, RESAMPLES)
    )
    metrics = {
        "area under the curve": metric(area, "probability"),
        "ranked": metric(float(np.mean([name in score for name in names])), "share"),
    }
    return Scored(metrics, "area under the curve", np.array(engine), outcomes, names.size)


def _interval_metrics(
    found: Table, name: str, unit: str, row: NDArray, true: NDArray, engine: NDArray, rng: np.random.Generator
) -> dict[str, dict[str, Any]]:
    low, high = f"{name}_lo_{unit}", f"{name}_hi_{unit}"
    if low not in found or high not in found:
        return {}
    lo, hi = taken(found[low], row), taken(found[high], row)
    known = np.isfinite(lo) & np.isfinite(hi)
    if not known.any():
        return {}
    quality = interval_quality(true[known], lo[known], hi[known], engine[known], rng)
    return {"95 % interval covers": metric(quality.coverage, "share")}


def _f1(hits: NDArray, real: NDArray, found: NDArray) -> float:
    total = real.sum() + found.sum()
    return float(2.0 * hits.sum() / total) if total else float("nan")


def _area(faulty: NDArray, score: NDArray) -> float:
    """Probability that a faulty capture ranks above a sound one, ties counting half."""
    from scipy.stats import rankdata

    ill = faulty > 0
    pairs = ill.sum() * (~ill).sum()
    if pairs == 0:
        return float("nan")
    return float((rankdata(score)[ill].sum() - ill.sum() * (ill.sum() + 1) / 2) / pairs)


_STATISTICS: dict[str, Callable[..., float]] = {
    "firing_detection": _f1,
    "polarity": plain_mean,
    "burn_time": plain_mean,
    "burn_voltage": plain_mean,
    "role": plain_mean,
    "condition": coded_macro_f1,
    "screening_rank": _area,
}
_SCORERS: dict[str, Callable[[Protocol, Table, Table, np.random.Generator], Scored]] = {
    "firing_detection": _detection,
    "polarity": _polarity,
    "burn_time": _burn_time,
    "burn_voltage": _burn_voltage,
    "role": _role,
    "condition": score_conditions,
    "screening_rank": _rank,
}
