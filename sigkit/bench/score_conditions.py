"""Score conditions by firing, lead and coil pair."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sigkit.bench.prediction_table import PROBABILITY
from sigkit.bench.protocol import Protocol
from sigkit.bench.scored import RESAMPLES, Scored, matched_rows, metric, wanted_firings
from sigkit.score.classification_score import score_classification
from sigkit.score.prediction_sets import score_sets
from sigkit.types.firing_table import CONDITIONS, UNKNOWN, Table


def score_conditions(protocol: Protocol, truth: Table, found: Table, rng: np.random.Generator) -> Scored:
    """Return the score of conditions; parameters as of `sigkit.bench.task_scores.score_task`."""
    asked = np.flatnonzero(wanted_firings(truth))
    row = matched_rows(protocol, truth, found, asked)
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
        "macro-F1 by firing": metric(score.macro_f1, "F1"),
        "balanced accuracy": metric(score.balanced_accuracy, "share"),
        "answered": metric(score.answered_share, "share"),
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
            "log loss": metric(judged.log_loss, "nat"),
            "calibration error": metric(judged.calibration_error, "probability"),
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
                "set coverage": metric(sets.coverage, "share"),
                "set size": metric(sets.mean_size, "conditions"),
            }
    for word, parts in (("lead", ("engine", "lead", "role")), ("coil pair", ("engine", "coil"))):
        metrics[f"macro-F1 by {word}"] = metric(_pooled(truth, asked, true, answer, parts), "F1")
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
    return coded_macro_f1(*tally.argmax(axis=2).astype(float))


def coded_macro_f1(true: NDArray, answer: NDArray) -> float:
    """Mean F1 over the classes that occur, of coded classes."""
    size = len(CONDITIONS) + 1
    table = np.zeros((size, size))
    np.add.at(table, (true.astype(np.int64), answer.astype(np.int64)), 1.0)
    both = table.sum(axis=1) + table.sum(axis=0)
    occurs = table.sum(axis=1) > 0
    return float(np.mean(2.0 * np.diag(table)[occurs] / both[occurs])) if occurs.any() else float("nan")
