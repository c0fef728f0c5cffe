"""Score predictions against the truth: the metrics of each task, and the outcomes that rivals are paired by."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sigkit.bench.prediction_table import PROBABILITY
from sigkit.bench.protocol import Protocol
from sigkit.errors import SettingsError
from sigkit.score.bootstrap import bootstrap_interval
from sigkit.score.classification_score import score_classification
from sigkit.score.detection import score_detection
from sigkit.score.error_summary import error_summary
from sigkit.score.estimate import Estimate
from sigkit.score.interval_quality import interval_quality
from sigkit.score.match import match_events
from sigkit.score.prediction_sets import score_sets
from sigkit.types.firing_table import CONDITIONS, UNKNOWN, Table

#: Times are compared in whole microseconds, which no sample rate in use is finer than by much.
PER_SECOND = 1_000_000
#: Limits on the error of a burn time, seconds, and on the relative error of a burn voltage (our choice).
BURN_TIME_LIMITS_S = (10e-6, 25e-6, 50e-6, 100e-6)
PRIMARY_BURN_TIME_S = 25e-6
PRIMARY_BURN_VOLTAGE = 0.02
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


def _keys(table: Table) -> NDArray[np.str_]:
    return np.array(
        [f"{capture}|{channel}" for capture, channel in zip(table["capture"], table["channel"], strict=True)],
        dtype=object,
    )


def _wanted(truth: Table) -> NDArray[np.bool_]:
    return (
        np.isin(truth["kind"].astype(str), KINDS)
        & truth["on_record"]
        & ~truth["absent"]
        & np.isfinite(truth["coil_off_s"])
    )


def _known_channels(truth: Table) -> dict[str, str]:
    own = np.isin(truth["kind"].astype(str), KINDS)
    return dict(zip(_keys(truth)[own], truth["engine"][own].astype(str), strict=True))


def _matched(protocol: Protocol, truth: Table, found: Table, asked: NDArray) -> NDArray[np.int64]:
    """Return the row of the prediction that belongs to each row of the truth asked about, -1 for none.

    All true firings of a channel take part in the pairing, so that the answer for one is not taken for another.
    """
    answer = np.full(len(truth["capture"]), -1, dtype=np.int64)
    real = np.flatnonzero(_wanted(truth))
    real_keys, found_keys = _keys(truth)[real], _keys(found)
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


def _metric(value: Estimate | float, unit: str) -> dict[str, Any]:
    if isinstance(value, Estimate):
        return {"value": value.value, "low": value.low, "high": value.high, "unit": unit}
    return {"value": float(value), "low": float("nan"), "high": float("nan"), "unit": unit}


def _detection(protocol: Protocol, truth: Table, found: Table, rng: np.random.Generator) -> Scored:
    engine_of = _known_channels(truth)
    rows = np.flatnonzero(_wanted(truth))
    own = np.array([key in engine_of for key in _keys(found)], dtype=bool) & np.isfinite(found["time_s"])
    found = {name: column[own] for name, column in found.items()}
    score = score_detection(
        truth["coil_off_s"][rows],
        _keys(truth)[rows],
        found["time_s"],
        _keys(found),
        engine_of,
        protocol.tolerance_s,
        rng,
        resamples=RESAMPLES,
    )
    hit = np.zeros(len(truth["capture"]))
    hit[rows] = _matched(protocol, truth, found, rows) >= 0
    keys = sorted(engine_of)
    place = {key: number for number, key in enumerate(keys)}
    sums = np.zeros((3, len(keys)))
    np.add.at(sums[0], [place[k] for k in _keys(truth)[rows]], hit[rows])
    np.add.at(sums[1], [place[k] for k in _keys(truth)[rows]], 1.0)
    np.add.at(sums[2], [place[k] for k in _keys(found)], 1.0)
    metrics = {
        "F1": _metric(score.f1, "share"),
        "recall": _metric(score.recall, "share"),
        "precision": _metric(score.precision, "share"),
    }
    if score.hits:
        metrics["median timing error"] = _scaled(score.timing_s.median_absolute, 1e6, "µs")
        metrics["95 % quantile of the timing error"] = _scaled(score.timing_s.p95_absolute, 1e6, "µs")
    outcomes = dict(zip(("hits", "real", "found"), sums, strict=True))
    return Scored(metrics, "F1", np.array([engine_of[key] for key in keys]), outcomes, rows.size)


def _polarity(protocol: Protocol, truth: Table, found: Table, rng: np.random.Generator) -> Scored:
    engine_of = _known_channels(truth)
    rows = np.flatnonzero(_wanted(truth))
    true_sign = dict(zip(_keys(truth)[rows], truth["polarity"][rows], strict=True))
    votes: dict[str, float] = {}
    for key, sign in zip(_keys(found), found["polarity"], strict=True):
        votes[key] = votes.get(key, 0.0) + (float(sign) if str(sign) not in ("", "nan") else 0.0)
    keys = sorted(true_sign)
    right = np.array([np.sign(votes.get(key, 0.0)) == np.sign(float(true_sign[key])) for key in keys], dtype=float)
    answered = np.array([votes.get(key, 0.0) != 0.0 for key in keys], dtype=float)
    engine = np.array([engine_of[key] for key in keys])
    metrics = {
        "right, by lead": _metric(_mean(right, engine, rng), "share"),
        "answered": _metric(_mean(answered, engine, rng), "share"),
    }
    return Scored(metrics, "right, by lead", engine, {"right": right}, len(keys))


def _burn_time(protocol: Protocol, truth: Table, found: Table, rng: np.random.Generator) -> Scored:
    asked = np.flatnonzero(_wanted(truth) & truth["measurable"])
    row = _matched(protocol, truth, found, asked)
    true_s = truth["burn_time_ms"][asked] * 1e-3
    engine = truth["engine"][asked].astype(str)
    error = _taken(found["burn_time_ms"], row) * 1e-3 - true_s
    summary = error_summary(error, engine, rng, BURN_TIME_LIMITS_S, resamples=RESAMPLES)
    name = f"within {round(PRIMARY_BURN_TIME_S * 1e6)} µs"
    metrics = {
        name: _metric(summary.within[PRIMARY_BURN_TIME_S], "share"),
        "answered": _metric(summary.answered_share, "share"),
    }
    if summary.answered:
        metrics |= {
            "median error": _scaled(summary.median_absolute, 1e6, "µs"),
            "95 % quantile": _scaled(summary.p95_absolute, 1e6, "µs"),
            "99 % quantile": _scaled(summary.p99_absolute, 1e6, "µs"),
            "bias": _scaled(summary.bias, 1e6, "µs"),
        }
    metrics |= {
        f"within {round(limit * 1e6)} µs": _metric(summary.within[limit], "share")
        for limit in BURN_TIME_LIMITS_S
        if limit != PRIMARY_BURN_TIME_S
    }
    metrics |= _interval_metrics(found, "burn_time", "ms", row, truth["burn_time_ms"][asked], engine, rng)
    close = (np.abs(error) <= PRIMARY_BURN_TIME_S).astype(float)
    return Scored(metrics, name, engine, {"close": close}, asked.size)


def _burn_voltage(protocol: Protocol, truth: Table, found: Table, rng: np.random.Generator) -> Scored:
    asked = np.flatnonzero(_wanted(truth) & truth["measurable"] & np.isfinite(truth["burn_voltage_V"]))
    row = _matched(protocol, truth, found, asked)
    true = truth["burn_voltage_V"][asked]
    engine = truth["engine"][asked].astype(str)
    relative = (_taken(found["burn_voltage_V"], row) - true) / np.abs(true)
    summary = error_summary(relative, engine, rng, (0.01, PRIMARY_BURN_VOLTAGE, 0.05), resamples=RESAMPLES)
    name = "within 2 %"
    metrics = {
        name: _metric(summary.within[PRIMARY_BURN_VOLTAGE], "share"),
        "answered": _metric(summary.answered_share, "share"),
    }
    if summary.answered:
        metrics |= {
            "median error": _scaled(summary.median_absolute, 100.0, "%"),
            "95 % quantile": _scaled(summary.p95_absolute, 100.0, "%"),
        }
    metrics |= _interval_metrics(found, "burn_voltage", "V", row, true, engine, rng)
    close = (np.abs(relative) <= PRIMARY_BURN_VOLTAGE).astype(float)
    return Scored(metrics, name, engine, {"close": close}, asked.size)


def _role(protocol: Protocol, truth: Table, found: Table, rng: np.random.Generator) -> Scored:
    asked = np.flatnonzero(_wanted(truth) & np.isin(truth["role"].astype(str), ("power", "waste")))
    asked = asked[truth["sparked"][asked].astype(str) == "yes"]
    row = _matched(protocol, truth, found, asked)
    answer = np.array([str(found["role"][one]) if one >= 0 else "" for one in row], dtype=object)
    decided = np.isin(answer.astype(str), ("power", "waste", "single"))
    right = (answer == truth["role"][asked]).astype(float)
    engine = truth["engine"][asked].astype(str)
    metrics = {
        "right": _metric(_mean(right, engine, rng), "share"),
        "decided": _metric(_mean(decided.astype(float), engine, rng), "share"),
    }
    if decided.any():
        metrics["right of decided"] = _metric(_mean(right[decided], engine[decided], rng), "share")
    return Scored(metrics, "right", engine, {"right": right}, asked.size)


def _condition(protocol: Protocol, truth: Table, found: Table, rng: np.random.Generator) -> Scored:
    asked = np.flatnonzero(_wanted(truth))
    row = _matched(protocol, truth, found, asked)
    true = truth["condition"][asked].astype(str)
    engine = truth["engine"][asked].astype(str)
    has = [PROBABILITY + name for name in CONDITIONS if PROBABILITY + name in found]
    if has:
        # The best guess is the likeliest class: abstaining is judged apart.
        whole = np.column_stack([found.get(PROBABILITY + name, np.zeros(len(found["capture"]))) for name in CONDITIONS])
        guess = np.array(CONDITIONS)[whole.argmax(axis=1)] if len(whole) else np.zeros(0, dtype=str)
        answer = np.array([guess[one] if one >= 0 else UNKNOWN for one in row])
    else:
        answer = np.array([str(found["condition"][one]) or UNKNOWN if one >= 0 else UNKNOWN for one in row])
    classes = list(CONDITIONS)
    score = score_classification(true, answer, classes, engine, rng, resamples=RESAMPLES)
    metrics = {
        "macro-F1 by firing": _metric(score.macro_f1, "F1"),
        "balanced accuracy": _metric(score.balanced_accuracy, "share"),
        "answered": _metric(score.answered_share, "share"),
    }
    known = row >= 0
    if has and known.any():
        probability = whole[row[known]]
        total = probability.sum(axis=1, keepdims=True)
        probability = np.where(total > 0, probability / np.where(total > 0, total, 1.0), 1.0 / len(CONDITIONS))
        judged = score_classification(
            true[known], answer[known], classes, engine[known], rng, probability=probability, resamples=RESAMPLES
        )
        metrics |= {
            "log loss": _metric(judged.log_loss, "nat"),
            "calibration error": _metric(judged.calibration_error, "probability"),
        }
    if "condition_set" in found and known.any():
        members = np.zeros((int(known.sum()), len(classes)), dtype=bool)
        for number, one in enumerate(row[known]):
            for name in str(found["condition_set"][one]).split("|"):
                if name in classes:
                    members[number, classes.index(name)] = True
        if members.any():
            sets = score_sets(true[known], members, classes, engine[known], rng, resamples=RESAMPLES)
            metrics |= {
                "set coverage": _metric(sets.coverage, "share"),
                "set size": _metric(sets.mean_size, "conditions"),
            }
    for word, parts in (("lead", ("engine", "lead", "role")), ("coil pair", ("engine", "coil"))):
        metrics[f"macro-F1 by {word}"] = _metric(_pooled(truth, asked, true, answer, parts), "F1")
    code = {name: number for number, name in enumerate([*classes, UNKNOWN])}
    outcomes = {
        "true": np.array([code[name] for name in true], dtype=float),
        "answer": np.array([code.get(name, len(classes)) for name in answer], dtype=float),
    }
    return Scored(metrics, "macro-F1 by firing", engine, outcomes, asked.size)


def _pooled(truth: Table, asked: NDArray, true: NDArray, answer: NDArray, parts: tuple[str, ...]) -> float:
    """Macro-F1 of the most frequent answer in each group against its most frequent truth."""
    group = np.array(["\x1f".join(str(truth[part][one]) for part in parts) for one in asked])
    codes = {name: number for number, name in enumerate([*CONDITIONS, UNKNOWN])}
    number = np.unique(group, return_inverse=True)[1]
    tally = np.zeros((2, number.max() + 1, len(codes)))
    np.add.at(tally[0], (number, np.array([codes[name] for name in true])), 1.0)
    np.add.at(tally[1], (number, np.array([codes.get(name, len(CONDITIONS)) for name in answer])), 1.0)
    return _macro_f1(*tally.argmax(axis=2).astype(float))


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
        "area under the curve": _metric(area, "probability"),
        "ranked": _metric(float(np.mean([name in score for name in names])), "share"),
    }
    return Scored(metrics, "area under the curve", np.array(engine), outcomes, names.size)


def _interval_metrics(
    found: Table, name: str, unit: str, row: NDArray, true: NDArray, engine: NDArray, rng: np.random.Generator
) -> dict[str, dict[str, Any]]:
    low, high = f"{name}_lo_{unit}", f"{name}_hi_{unit}"
    if low not in found or high not in found:
        return {}
    lo, hi = _taken(found[low], row), _taken(found[high], row)
    known = np.isfinite(lo) & np.isfinite(hi)
    if not known.any():
        return {}
    quality = interval_quality(true[known], lo[known], hi[known], engine[known], rng)
    return {"95 % interval covers": _metric(quality.coverage, "share")}


def _taken(column: NDArray, row: NDArray) -> NDArray[np.float64]:
    return np.where(row >= 0, np.append(np.asarray(column, dtype=float), np.nan)[row], np.nan)


def _scaled(value: Estimate, factor: float, unit: str) -> dict[str, Any]:
    return _metric(Estimate(value.value * factor, value.low * factor, value.high * factor), unit)


def _mean(value: NDArray, engine: NDArray, rng: np.random.Generator) -> Estimate:
    low, high = bootstrap_interval(_plain_mean, [value], engine, rng, 0.95, RESAMPLES)
    return Estimate(_plain_mean(value), low, high)


def _plain_mean(value: NDArray) -> float:
    return float(np.mean(value))


def _f1(hits: NDArray, real: NDArray, found: NDArray) -> float:
    total = real.sum() + found.sum()
    return float(2.0 * hits.sum() / total) if total else float("nan")


def _macro_f1(true: NDArray, answer: NDArray) -> float:
    """Mean F1 over the classes that occur, of coded classes."""
    size = len(CONDITIONS) + 1
    table = np.zeros((size, size))
    np.add.at(table, (true.astype(np.int64), answer.astype(np.int64)), 1.0)
    both = table.sum(axis=1) + table.sum(axis=0)
    occurs = table.sum(axis=1) > 0
    return float(np.mean(2.0 * np.diag(table)[occurs] / both[occurs])) if occurs.any() else float("nan")


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
    "polarity": _plain_mean,
    "burn_time": _plain_mean,
    "burn_voltage": _plain_mean,
    "role": _plain_mean,
    "condition": _macro_f1,
    "screening_rank": _area,
}
_SCORERS: dict[str, Callable[[Protocol, Table, Table, np.random.Generator], Scored]] = {
    "firing_detection": _detection,
    "polarity": _polarity,
    "burn_time": _burn_time,
    "burn_voltage": _burn_voltage,
    "role": _role,
    "condition": _condition,
    "screening_rank": _rank,
}
