"""Detection and timing together: precision, recall, F1 of matched events and the errors of the pairs."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sigkit.score.bootstrap import RESAMPLES
from sigkit.score.error_summary import ErrorSummary, error_summary
from sigkit.score.estimate import Estimate
from sigkit.score.group_draws import GroupDraws
from sigkit.score.match import match_events

#: Events are matched on a grid of whole steps of this length, s (our choice: far finer than any sample).
MATCH_STEP_S = 1e-9


@dataclass(frozen=True, eq=False)
class DetectionScore:
    """How well events were found, and how well those found were timed.

    Attributes
    ----------
    tolerance_s : float
        Largest distance of a pair, inclusive, s.
    truth_count, found_count, hits : int
        True events, events found, pairs.
    precision, recall, f1 : Estimate
        0 to 1; intervals by bootstrap over engines.
    timing_s : ErrorSummary
        Errors of the pairs, found minus true, s.
    by_engine : dict
        Engine -> counts and the three figures of that engine alone.
    truth_row, found_row : ndarray of int64, shape (hits,)
        The pairs, as rows of the input.
    error_s : ndarray of float64, shape (hits,)
        Found minus true, s.
    """

    tolerance_s: float
    truth_count: int
    found_count: int
    hits: int
    precision: Estimate
    recall: Estimate
    f1: Estimate
    timing_s: ErrorSummary
    by_engine: dict[str, dict[str, float]]
    truth_row: NDArray[np.int64]
    found_row: NDArray[np.int64]
    error_s: NDArray[np.float64]


def score_detection(
    truth_s: ArrayLike,
    truth_capture: ArrayLike,
    found_s: ArrayLike,
    found_capture: ArrayLike,
    engine_of_capture: Mapping[str, str],
    tolerance_s: float,
    rng: np.random.Generator,
    *,
    level: float = 0.95,
    resamples: int = RESAMPLES,
) -> DetectionScore:
    """Match the events of every capture one to one and score the whole.

    Parameters
    ----------
    truth_s, found_s : array_like of float, shape (n,) and (m,)
        Instants of the true events and of those found, s on the capture's time axis, in any order.
    truth_capture, found_capture : array_like of str, shape (n,) and (m,)
        Capture (or capture and lead) of each.
    engine_of_capture : mapping
        Every capture that is scored -> its engine, also those without an event. Only captures whose
        events are all labelled belong here.
    tolerance_s : float
        Largest distance of a pair, inclusive, s, above 0.
    rng : numpy.random.Generator
    level : float
        Probability inside the intervals.
    resamples : int

    Returns
    -------
    DetectionScore

    Raises
    ------
    ValueError
        When an instant is not finite, a capture is not in ``engine_of_capture`` or the tolerance is not
        above 0.

    Examples
    --------
    >>> score = score_detection([0.1, 0.2], ["a", "a"], [0.1001, 0.3], ["a", "a"], {"a": "ferry 1"}, 1e-3,
    ...                         np.random.default_rng(0))
    >>> score.hits, score.precision.value, score.recall.value, score.f1.value
    (1, 0.5, 0.5, 0.5)
    >>> round(score.timing_s.bias.value, 9)
    0.0001
    """
    truth, of_truth = _events(truth_s, truth_capture, engine_of_capture, "truth")
    found, of_found = _events(found_s, found_capture, engine_of_capture, "found")
    if not tolerance_s > 0 or not np.isfinite(tolerance_s):
        raise ValueError(f"tolerance_s is {tolerance_s}; expected seconds above 0")
    captures = sorted(engine_of_capture)
    rows, columns = _pairs(truth, of_truth, found, of_found, captures, round(tolerance_s / MATCH_STEP_S))

    # One row a true event, one a found event, one a pair, and one a capture: an engine without any event counts.
    engine = np.array([str(engine_of_capture[name]) for name in captures], dtype=str)
    places = np.r_[np.arange(len(captures)), of_truth, of_found, of_truth[rows]]
    counts = np.zeros((places.size, 3))
    edges = np.cumsum([len(captures), of_truth.size, of_found.size])
    counts[edges[0] : edges[1], 0] = counts[edges[1] : edges[2], 1] = counts[edges[2] :, 2] = 1
    draws = GroupDraws.draw(engine[places], rng, level, resamples)
    precision, recall, f1 = draws.many_of_sums(counts, _rates)
    by_group = draws.sums(counts)
    with np.errstate(divide="ignore", invalid="ignore"):
        rates = _rates(by_group)
    names = ("truth_count", "found_count", "hits", "precision", "recall", "f1")
    by_engine = {
        str(name): dict(zip(names, [*map(int, number), *map(float, rate)]))
        for name, number, rate in zip(draws.names, by_group, rates)
    }
    error = found[columns] - truth[rows]
    timing = error_summary(error, engine[of_truth[rows]], rng, level=level, resamples=resamples)
    return DetectionScore(
        float(tolerance_s), truth.size, found.size, rows.size, precision, recall, f1, timing, by_engine,
        rows, columns, error,
    )  # fmt: skip


def _rates(sums: NDArray) -> NDArray:
    truth, found, hits = sums[..., 0], sums[..., 1], sums[..., 2]
    return np.stack([hits / found, hits / truth, 2 * hits / (truth + found)], axis=-1)


def _events(
    instants: ArrayLike, captures: ArrayLike, engine_of_capture: Mapping[str, str], what: str
) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Return the instants and the place of each one's capture among the sorted captures."""
    times, names = np.asarray(instants, dtype=float), np.asarray(captures).astype(str)
    if times.ndim != 1 or names.shape != times.shape:
        raise ValueError(f"{what}: {times.shape} instants and {names.shape} captures; expected lists of one length")
    if not np.isfinite(times).all():
        raise ValueError(f"{what}: instant {int(np.flatnonzero(~np.isfinite(times))[0])} is not finite")
    known = np.array(sorted(engine_of_capture), dtype=str)
    strange = np.setdiff1d(names, known)
    if strange.size:
        raise ValueError(f"{what}: capture {strange[0]} has no engine; name every capture that is scored")
    return times, np.searchsorted(known, names)


def _pairs(
    truth: NDArray, of_truth: NDArray, found: NDArray, of_found: NDArray, captures: list[str], tolerance: int
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    by_truth, by_found = np.argsort(of_truth, kind="stable"), np.argsort(of_found, kind="stable")
    ends = [np.searchsorted(of[order], np.arange(len(captures) + 1))
            for of, order in ((of_truth, by_truth), (of_found, by_found))]  # fmt: skip
    rows, columns = [np.zeros(0, dtype=np.int64)], [np.zeros(0, dtype=np.int64)]
    for place in range(len(captures)):
        first = by_truth[ends[0][place] : ends[0][place + 1]]
        second = by_found[ends[1][place] : ends[1][place + 1]]
        if first.size and second.size:
            match = match_events(_steps(truth[first]), _steps(found[second]), tolerance)
            rows.append(first[match.first])
            columns.append(second[match.second])
    return np.concatenate(rows), np.concatenate(columns)


def _steps(times: NDArray) -> NDArray[np.int64]:
    return np.rint(times / MATCH_STEP_S).astype(np.int64)
