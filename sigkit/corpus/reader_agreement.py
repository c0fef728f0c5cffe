"""How far readers agree with each other and with themselves."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sigkit.corpus.dataset import Dataset, recording_of
from sigkit.corpus.label_record import CaptureMark, FiringLabel
from sigkit.corpus.label_table import label_rows
from sigkit.errors import DatasetError
from sigkit.provenance import seed_from
from sigkit.score.detection import score_detection
from sigkit.score.gauge_study import gauge_study
from sigkit.score.intraclass_correlation import intraclass_correlation
from sigkit.score.kappa import cohen_kappa, fleiss_kappa
from sigkit.score.krippendorff_alpha import krippendorff_alpha
from sigkit.score.limits_of_agreement import repeated_limits_of_agreement
from sigkit.score.plain import plain
from sigkit.score.reading_precision import reading_precision

#: Two labels on one channel closer than this are of one firing (our choice: no coil fires twice within it).
SAME_FIRING_S = 1e-3
#: Quantities compared; all in milliseconds. Instants count from the firing's median over all readings.
QUANTITIES = ("burn_time_ms", "breakdown_ms", "burn_end_ms")


@dataclass(frozen=True, eq=False)
class Readings:
    """Labels put together by firing; every array has shape (n,), one row a label.

    Attributes
    ----------
    rows : list of dict
        As `sigkit.corpus.label_table.label_rows`.
    firing, reader, engine : ndarray of str
        Firing is the capture, the channel and a number.
    value : dict of str to ndarray of float64
        By `QUANTITIES`; NaN where the reader looked and gave none.
    """

    rows: list[dict[str, Any]]
    firing: NDArray[np.str_]
    reader: NDArray[np.str_]
    engine: NDArray[np.str_]
    value: dict[str, NDArray[np.float64]]


def gather_readings(opened: Dataset, readers: Sequence[str] = ()) -> Readings:
    """Put labels of one firing together.

    Parameters
    ----------
    opened : Dataset
    readers : sequence of str
        By default all whose labels are a person's (not of origin ``algorithm`` or ``truth``).

    Raises
    ------
    DatasetError
        When nobody has labelled a firing.
    """
    chosen = list(readers) or [one for one in opened.readers if _is_person(opened, one)]
    rows = label_rows(opened, chosen, remarks=False)
    if not rows:
        raise DatasetError(str(opened.folder), "holds no labels of a person",
                           "label firings with sigkit label, or import readings")  # fmt: skip
    rows.sort(key=lambda row: (row["capture"], row["channel"], row["time_s"]))
    firing, number = [], 0
    for before, row in zip([None, *rows[:-1]], rows, strict=True):
        there = before is not None and all(before[key] == row[key] for key in ("capture", "channel"))
        if before is None or not there or row["time_s"] - before["time_s"] > SAME_FIRING_S:
            number += 1
        firing.append(f"{row['capture']} {row['channel']} {number}")
    names = np.array(firing)
    column = {name: np.array([row[name] for row in rows]) for name in ("reader", "engine")}
    value = {"burn_time_ms": np.array([row["burn_time_ms"] for row in rows], dtype=float)}
    for name in ("breakdown", "burn_end"):
        instants = np.array([row[f"{name}_s"] for row in rows], dtype=float)
        value[f"{name}_ms"] = 1e3 * (instants - _median_by(names, instants))
    return Readings(rows, names, column["reader"], column["engine"], value)


def reader_agreement(opened: Dataset, readings: Readings) -> dict[str, Any]:
    """Return every figure of agreement as plain numbers, ready for JSON.

    Seeded by the content of the data set, so the same data gives the same intervals. Intervals are by bootstrap over
    engines; with one engine there are none (null). Reproducibility is between different readers only.

    Returns
    -------
    dict
        ``readers`` (with their origins), ``counts``, ``timing`` (by quantity), ``detection``, ``conditions``.
    """
    seed = seed_from("agreement", opened.dataset_hash)
    names = sorted(set(readings.reader.tolist()))
    origin = {name: sorted({row["origin"] for row in readings.rows if row["reader"] == name}) for name in names}
    firings = sorted(set(readings.firing.tolist()))
    return {
        "data_set": opened.name, "dataset_hash": opened.dataset_hash, "seed": seed,
        "readers": origin,
        "counts": {"labels": len(readings.rows), "firings": len(firings),
                   "engines": len(set(readings.engine.tolist()))},
        "timing": {name: _timing(readings, name, names, seed) for name in QUANTITIES},
        "detection": _detection(opened, names, seed), "conditions": _conditions(readings, names, seed),
    }  # fmt: skip


def _timing(readings: Readings, quantity: str, names: Sequence[str], seed: int) -> dict[str, Any]:
    value, rng = readings.value[quantity], np.random.default_rng([seed % 2**32, QUANTITIES.index(quantity)])
    found: dict[str, Any] = {"unit": "ms"}
    found["precision"] = plain(reading_precision(value, readings.firing, readings.reader, readings.engine, rng))
    found["between"] = {}
    table, engines = _by_reader(readings, value, names)
    for first, second in itertools.combinations(range(len(names)), 2):
        both = np.isfinite(table[:, first]) & np.isfinite(table[:, second])
        if both.sum() >= 2:
            limits = repeated_limits_of_agreement(table[both, first], table[both, second], engines[both], rng)
            found["between"][f"{names[first]} - {names[second]}"] = plain(limits)
    if quantity == "burn_time_ms":
        # Of instants, the spread between firings is of our own choosing, so shares of it would say nothing.
        found["gauge"] = _or_why(gauge_study, value, readings.firing, readings.reader, readings.engine, rng)
        found["intraclass_correlation"] = _or_why(intraclass_correlation, table, engines, rng)
        found["alpha_interval"] = _or_why(krippendorff_alpha, table.T, engines, rng, scale="interval")
    return found


def _conditions(readings: Readings, names: Sequence[str], seed: int) -> dict[str, Any]:
    rng = np.random.default_rng([seed % 2**32, 99])
    said = np.array([row["condition"] for row in readings.rows])
    answer = np.array([row["answer"] for row in readings.rows])
    found: dict[str, Any] = {}
    for word, values in (("condition", said), ("answer", answer)):
        table, engines = _first_text(readings, values, names)
        pairs = {}
        for first, second in itertools.combinations(range(len(names)), 2):
            both = (table[:, first] != "") & (table[:, second] != "")
            if both.any():
                pairs[f"{names[first]} - {names[second]}"] = _or_why(
                    cohen_kappa, table[both, first], table[both, second], engines[both], rng)  # fmt: skip
        ratings = table.astype(object).T
        found[word] = {"cohen_kappa": pairs, "alpha": _or_why(krippendorff_alpha, ratings, engines, rng)}
        full = (table != "").all(axis=1)
        if len(names) > 2 and full.any():
            classes = np.unique(table[full])
            counts = (table[full][:, :, None] == classes).sum(axis=1)
            found[word]["fleiss_kappa"] = _or_why(fleiss_kappa, counts, engines[full], rng)
    return found


def _detection(opened: Dataset, names: Sequence[str], seed: int) -> dict[str, Any]:
    """Score one reader's firings against another's on captures that both marked exhaustively labelled."""
    records = {name: opened.labels(name) for name in names}
    marked = {name: {one.capture for one in found if isinstance(one, CaptureMark) and one.exhaustive}
              for name, found in records.items()}  # fmt: skip
    files = dict(zip(opened.manifest["capture"].to_pylist(), opened.manifest["engine"].to_pylist(), strict=True))
    found: dict[str, Any] = {}
    for first, second in itertools.combinations(names, 2):
        both = sorted(marked[first] & marked[second])
        key = f"{first} - {second}"
        if not both:
            found[key] = {"not_scored": "no capture is marked exhaustively labelled by both readers"}
            continue
        engine_of: dict[str, str] = {}
        for capture in both:
            for channel in opened.extents(capture) or {}:
                engine_of[f"{capture}\n{channel}"] = files[recording_of(capture)]
        times: list[list[float]] = []
        places: list[list[str]] = []
        for reader in (first, second):
            events = [one for one in records[reader] if isinstance(one, FiringLabel) and not one.presentation
                      and one.capture in both]  # fmt: skip
            times.append([one.time_s for one in events])
            places.append([f"{one.capture}\n{one.channel}" for one in events])
        score = score_detection(times[0], places[0], times[1], places[1], engine_of, SAME_FIRING_S,
                                np.random.default_rng([seed % 2**32, 7]))  # fmt: skip
        found[key] = {"captures": len(both), "tolerance_s": score.tolerance_s, "firings_first": score.truth_count,
                      "firings_second": score.found_count, "pairs": score.hits, "f1": plain(score.f1)}  # fmt: skip
    return found


def _or_why(figure: Any, *inputs: Any, **settings: Any) -> Any:
    """Return the figure as plain numbers, or why these readings cannot show it."""
    try:
        return plain(figure(*inputs, **settings))
    except ValueError as fault:
        return {"not_available": str(fault)}


def _by_reader(readings: Readings, value: NDArray, names: Sequence[str]) -> tuple[NDArray, NDArray]:
    """Return a table firing by reader of each reader's mean reading, and the firings' engines."""
    firings, first, row = np.unique(readings.firing, return_index=True, return_inverse=True)
    column = np.searchsorted(np.array(names), readings.reader)
    good = np.isfinite(value)
    total, count = np.zeros((firings.size, len(names))), np.zeros((firings.size, len(names)))
    np.add.at(total, (row[good], column[good]), value[good])
    np.add.at(count, (row[good], column[good]), 1)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan), readings.engine[first]


def _first_text(readings: Readings, values: NDArray, names: Sequence[str]) -> tuple[NDArray, NDArray]:
    """Return a table firing by reader of each reader's first answer, ``""`` where none, and the firings' engines."""
    firings, first, row = np.unique(readings.firing, return_index=True, return_inverse=True)
    table = np.full((firings.size, len(names)), "", dtype=values.dtype)
    column = np.searchsorted(np.array(names), readings.reader)
    for place in np.argsort([-int(one["presentation"]) for one in readings.rows], kind="stable"):
        table[row[place], column[place]] = values[place]
    return table, readings.engine[first]


def _median_by(names: NDArray, values: NDArray) -> NDArray[np.float64]:
    """Return, for each row, the median of all finite values of its firing."""
    _, row = np.unique(names, return_inverse=True)
    order = np.argsort(row, kind="stable")
    middle = np.full(row.max(initial=-1) + 1, np.nan)
    for part in np.split(order, np.flatnonzero(np.diff(row[order])) + 1):
        finite = values[part][np.isfinite(values[part])]
        if finite.size:
            middle[row[part[0]]] = np.median(finite)
    return middle[row]


def _is_person(opened: Dataset, reader: str) -> bool:
    return not any(one.origin in ("algorithm", "truth") for one in opened.labels(reader))
