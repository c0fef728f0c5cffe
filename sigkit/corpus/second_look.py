"""Which labels want a second look: where readers differ, and where a classifier of other engines contradicts."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from sigkit.corpus.dataset import Dataset
from sigkit.corpus.firing_examples import FiringExamples, firing_examples
from sigkit.corpus.reader_agreement import Readings
from sigkit.errors import DatasetError
from sigkit.score.consensus import consensus_classes, consensus_instants
from sigkit.score.suspected_labels import suspected_labels

#: Range of readings of one firing above which somebody should look again, ms (our choice: twice the assumed hand
#: resolution of 0.05 ms; common practice, no source).
TOLERANCE_MS = 0.1
CONSENSUS_COLUMNS = ("capture", "channel", "time_s", "engine", "readers", "refused", "burn_time_ms",
                     "burn_time_range_ms", "agreed_condition", "condition_share", "adjudicate", "reason")  # fmt: skip
SUSPECTED_COLUMNS = ("capture", "channel", "time_s", "engine", "reader", "given", "likely", "margin_ratio", "suspected")


def consensus_rows(readings: Readings, tolerance_ms: float = TOLERANCE_MS) -> list[dict[str, Any]]:
    """Return one row a firing: consensus burn time and condition, and whether it wants a second look.

    Rows to adjudicate come first, the widest first.

    Parameters
    ----------
    readings : Readings
    tolerance_ms : float
        Largest range of burn times that needs no second look, ms.
    """
    said = np.array([row["condition"] for row in readings.rows])
    # A range of exactly the tolerance passes, whatever its last binary digit.
    burn = consensus_instants(readings.value["burn_time_ms"], readings.firing, readings.reader, tolerance_ms + 1e-9)
    classes = consensus_classes(said, readings.firing, readings.reader)
    first = {name: place for place, name in reversed(list(enumerate(readings.firing.tolist())))}
    order = [*burn.queue.tolist(), *classes.queue.tolist(), *range(burn.item.size)]
    rows = []
    for place in dict.fromkeys(order):
        told = readings.rows[first[str(burn.item[place])]]
        reasons = []
        if burn.adjudicate[place]:
            torn = 0 < burn.refused[place] < burn.readers[place]
            reasons.append("some measured it and some could not" if torn else "burn times differ")
        if classes.adjudicate[place]:
            reasons.append("conditions differ")
        rows.append({
            "capture": told["capture"], "channel": told["channel"], "time_s": told["time_s"],
            "engine": told["engine"], "readers": int(burn.readers[place]), "refused": int(burn.refused[place]),
            "burn_time_ms": round(float(burn.value[place]), 6),
            "burn_time_range_ms": round(float(burn.range[place]), 6),
            "agreed_condition": str(classes.label[place]), "condition_share": round(float(classes.share[place]), 4),
            "adjudicate": "yes" if reasons else "no", "reason": "; ".join(reasons),
        })  # fmt: skip
    return rows


def suspected_rows(opened: Dataset, reader: str) -> list[dict[str, Any]]:
    """Rank one reader's conditions by how far a classifier that saw only other engines contradicts them.

    Raises
    ------
    DatasetError
        When the labels carry fewer than two conditions or two engines, or the classifier knows no more of them than
        which condition is commonest.
    """
    return rank_suspected(firing_examples(opened, reader), reader)


def rank_suspected(examples: FiringExamples, reader: str) -> list[dict[str, Any]]:
    """Rank the conditions of windows, see `suspected_rows`."""
    classes = sorted(set(examples.condition.tolist()))
    if len(classes) < 2 or len(set(examples.engine.tolist())) < 2:
        raise DatasetError(reader, "gives fewer than two conditions, or labels fewer than two engines",
                           "suspected labels need both")  # fmt: skip
    chances = out_of_fold(examples, classes)
    right = float(np.mean(np.array(classes)[chances.argmax(axis=1)] == examples.condition))
    commonest = max(float(np.mean(examples.condition == name)) for name in classes)
    if right <= commonest:
        raise DatasetError(reader, f"a classifier trained on the other engines agrees with {right:.0%} of the "
                           f"conditions, no more than the commonest one alone ({commonest:.0%}), so it can suspect "
                           "nothing", "label more engines")
    ranked = suspected_labels(examples.condition, chances, classes)
    return [
        {"capture": examples.capture[row], "channel": examples.channel[row], "time_s": float(examples.time_s[row]),
         "engine": examples.engine[row], "reader": reader, "given": examples.condition[row],
         "likely": str(ranked.likely[row]), "margin_ratio": round(float(ranked.margin[row]), 4),
         "suspected": "yes" if ranked.suspected[row] else "no"}
        for row in ranked.order.tolist()
    ]  # fmt: skip


def out_of_fold(examples: FiringExamples, classes: list[str]) -> NDArray[np.float64]:
    """Return probabilities of the classes by a model trained without any firing of the same engine.

    The model is a logistic regression on principal components of the windows (made one sign), and on peak and burn
    time beside the engine's middle: plain, and independent of sigkit's own classifier, so that its habits do not
    confirm themselves.

    Returns
    -------
    ndarray of float64, shape (n, classes)
    """
    from sklearn.decomposition import PCA
    from sklearn.linear_model import LogisticRegression
    from sklearn.pipeline import make_pipeline
    from sklearn.preprocessing import StandardScaler

    # Levels and times mean something beside the engine's own middle: pickups and speeds differ.
    peak = np.log(np.maximum(examples.peak_V, 1e-9))
    burn = np.nan_to_num(examples.burn_time_ms, nan=0.0)
    extra = np.stack([peak - _middle(peak, examples.engine), burn, burn - _middle(burn, examples.engine),
                      np.isnan(examples.burn_time_ms)], axis=1)  # fmt: skip
    windows = np.nan_to_num(examples.windows.astype(float))
    # One sign for all: polarity belongs to the lead, not to its condition.
    largest = np.take_along_axis(windows, np.abs(windows).argmax(axis=1)[:, None], axis=1)
    windows = windows * np.where(largest < 0, -1.0, 1.0)
    found = np.full((len(examples), len(classes)), 1 / len(classes))
    place = {name: number for number, name in enumerate(classes)}
    for engine in sorted(set(examples.engine.tolist())):
        rest, own = examples.engine != engine, examples.engine == engine
        if len(set(examples.condition[rest].tolist())) < 2:
            continue  # nothing to learn from: all classes stay equally likely, so nothing is suspected
        reduce = PCA(n_components=min(12, int(rest.sum()), windows.shape[1]), svd_solver="full").fit(windows[rest])
        model = make_pipeline(StandardScaler(), LogisticRegression(max_iter=2000))
        model.fit(np.hstack([reduce.transform(windows[rest]), extra[rest]]), examples.condition[rest])
        told = model.predict_proba(np.hstack([reduce.transform(windows[own]), extra[own]]))
        block = np.full((int(own.sum()), len(classes)), 0.0)
        block[:, [place[name] for name in model.classes_]] = told
        found[own] = block
    return found


def _middle(values: NDArray, engine: NDArray) -> NDArray[np.float64]:
    """Return, for each row, the median of its engine."""
    names, row = np.unique(engine, return_inverse=True)
    return np.array([np.median(values[row == number]) for number in range(names.size)])[row]
