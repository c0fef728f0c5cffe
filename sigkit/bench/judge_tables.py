"""What judges and rankers of measured tables answer, each given the same detector's and locator's measurements."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np

from sigkit import registry
from sigkit.context.apply_context import apply_context
from sigkit.context.capture_info import CaptureInfo
from sigkit.measure.measure_capture import measure_capture
from sigkit.types.capture import Capture
from sigkit.types.firing_table import Table, concatenate

ROLES = ("power", "waste", "single", "unknown")


def answer_roles(judge: Any, captures: Sequence[Capture], detector: str, locator: str) -> Table:
    """Return the predictions of a role judge, engine by engine.

    Raises
    ------
    ValueError
        When an answer is no role, or there is not one a row.
    """
    parts = []
    for members, table in measured_engines(captures, detector, locator):
        role = np.asarray(judge.judge_roles({n: c.copy() for n, c in table.items()}, members), dtype=object)
        problem = wrong_roles(role, len(table["capture"]))
        if problem:
            raise ValueError(problem)
        parts.append({**{name: table[name] for name in ("capture", "channel", "time_s")}, "role": role})
    return concatenate(parts)


def answer_scores(screener: Any, captures: Sequence[Capture], detector: str, locator: str) -> Table:
    """Return the predictions of a screener over the whole archive.

    Raises
    ------
    ValueError
        When a score is given for a capture that is not there.
    """
    tables = [
        apply_context(table, [CaptureInfo.of(one) for one in members])
        for members, table in measured_engines(captures, detector, locator)
    ]
    found = dict(screener.score_captures(concatenate(tables), captures))
    problem = wrong_scores(found, captures)
    if problem:
        raise ValueError(problem)
    return {
        "capture": np.array(list(found), dtype=object),
        "score": np.array([float(value) for value in found.values()]),
    }


def measured_engines(
    captures: Sequence[Capture], detector: str, locator: str
) -> Iterator[tuple[list[Capture], Table]]:
    """Yield the captures of each engine and their measured firings."""
    finder, placer = registry.load("detectors", detector)(), registry.load("locators", locator)()
    engines: dict[str, list[Capture]] = {}
    for capture in captures:
        engines.setdefault(capture.engine or capture.name, []).append(capture)
    for members in engines.values():
        yield members, concatenate([measure_capture(one, finder, placer).table for one in members])


def wrong_roles(role: Any, rows: int) -> str:
    """Return what is wrong with a role judge's answer, ``""`` when nothing is."""
    if np.shape(role) != (rows,):
        return f"judge_roles gives shape {np.shape(role)} for {rows} rows; expected one role a row"
    strange = sorted({str(one) for one in role} - set(ROLES))
    return f"{strange[0]!r} is no role; known: {', '.join(ROLES)}" if strange else ""


def wrong_scores(scores: Any, captures: Sequence[Capture]) -> str:
    """Return what is wrong with a screener's answer, ``""`` when nothing is."""
    strange = sorted(set(scores) - {one.name for one in captures})
    if strange:
        return f"{strange[0]!r} is none of the captures; use their names"
    endless = sorted(name for name, value in scores.items() if np.isinf(float(value)))
    return f"the score of {endless[0]!r} is infinite; leave a capture out that cannot be ranked" if endless else ""
