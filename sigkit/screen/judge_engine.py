"""One engine: context over all its captures, conditions, and a verdict on each capture."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from sigkit.classify.judge_table import judge_table
from sigkit.classify.lead_verdict import reversed_channels
from sigkit.classify.model_store import Model
from sigkit.context.apply_context import apply_context
from sigkit.report.firing_trace import name_of_lead
from sigkit.report.summarise_leads import flagged, natural_key
from sigkit.screen.capture_facts import CaptureFacts
from sigkit.screen.capture_verdict import CaptureVerdict, judge_capture, severity_order
from sigkit.screen.lead_rows import JUDGED_KINDS, leads_of
from sigkit.screen.reasons import reasons_of
from sigkit.screen.recording_advice import Advice, advise
from sigkit.screen.screen_source import ScreenedCapture
from sigkit.types.firing_table import Table, concatenate

NO_MODEL = "No condition model was available, so no condition is named."


@dataclass(frozen=True, eq=False)
class JudgedCapture:
    """One capture with its verdict, small: its table has been written already.

    Attributes
    ----------
    facts : CaptureFacts
    verdict : CaptureVerdict
    reasons : tuple of str
    advice : tuple of Advice
    counts : dict of str to int
        ``firings``, ``without_spark``, ``absent``, ``leads``.
    conditions : tuple of str
        Conditions named on it, sorted.
    engine_speed_rpm : float or None
        Median over its firings.
    """

    facts: CaptureFacts
    verdict: CaptureVerdict
    reasons: tuple[str, ...]
    advice: tuple[Advice, ...]
    counts: dict[str, int]
    conditions: tuple[str, ...]
    engine_speed_rpm: float | None

    @property
    def order(self) -> tuple[object, ...]:
        """Sort key: worst first."""
        return severity_order(self.verdict, natural_key(self.facts.name))


def judged_rows(table: Table) -> Table:
    """Return the rows of a table in context whose channel shows a lead."""
    seen = np.isin(table["channel_kind"].astype(str), JUDGED_KINDS)
    return {name: column[seen] for name, column in table.items()}


def judge_engine(members: Sequence[ScreenedCapture], model: Model | None) -> tuple[Table, list[JudgedCapture]]:
    """Judge all captures of one engine (or the one recording that stands for an unnamed engine).

    Parameters
    ----------
    members : sequence of ScreenedCapture
        In any order.
    model : Model or None

    Returns
    -------
    table : Table
        Firing table of all of them, in context and with conditions.
    judged : list of JudgedCapture
        In natural order of the names.
    """
    members = sorted(members, key=lambda member: natural_key(member.facts.name))
    table = apply_context(concatenate([m.table for m in members]), [m.info for m in members])
    table = judge_table(table, model)
    turned = reversed_channels(table)
    in_all = _firings_by_lead(judged_rows(table))
    judged = []
    for member in members:
        rows = np.flatnonzero(table["capture"] == member.facts.name)
        own = {name: column[rows] for name, column in table.items()}
        reversed_here = frozenset(channel for capture, channel in turned if capture == member.facts.name)
        judged.append(_judge(member.facts, own, reversed_here, model, in_all))
    return table, judged


def _firings_by_lead(table: Table) -> dict[str, int]:
    absent = flagged(table, "absent")
    titles = [name_of_lead(str(c), "", str(n)) for c, n in zip(table["cylinder"], table["channel"], strict=True)]
    return dict(Counter(title for title, gone in zip(titles, absent, strict=True) if not gone))


def _judge(
    facts: CaptureFacts, table: Table, turned: frozenset[str], model: Model | None, in_all: dict[str, int]
) -> JudgedCapture:
    shown = judged_rows(table)
    leads = leads_of(shown)
    verdict = judge_capture(shown, leads, turned)
    reasons = reasons_of(shown, leads, verdict, turned, "" if model is not None else NO_MODEL)
    absent = flagged(shown, "absent")
    named = {str(name) for name in shown["condition"]} - {"", "unknown", "normal"}
    speed = np.asarray(table["engine_speed_rpm"], dtype=float)
    speed = speed[np.isfinite(speed)]
    return JudgedCapture(
        facts, verdict, tuple(reasons), tuple(advise(facts, shown, leads, in_all)),
        {
            "firings": int((~absent).sum()), "without_spark": int((shown["sparked"] == "no").sum()),
            "absent": int(absent.sum()), "leads": len(leads),
        },
        tuple(sorted(named)), float(np.median(speed)) if speed.size else facts.engine_speed_rpm,
    )  # fmt: skip


def capture_row(one: JudgedCapture) -> dict[str, Any]:
    """Return the capture's row of ``captures.csv``."""
    facts = one.facts
    return {
        "capture": facts.name, "engine": facts.engine, "verdict": one.verdict.words, "score": one.verdict.score,
        "reasons": list(one.reasons), "advice": [advice.text for advice in one.advice],
        "conditions": list(one.conditions), "firings": one.counts["firings"],
        "firings_without_spark": one.counts["without_spark"], "firings_absent": one.counts["absent"],
        "channels": len(facts.channels), "sample_rate_Hz": sorted({c.sample_rate_Hz for c in facts.channels}),
        "duration_s": max((c.duration_s for c in facts.channels), default=0.0),
        "engine_speed_rpm": one.engine_speed_rpm, "format": facts.format, "recording": facts.recording,
        "sweep": facts.sweep, "time_origin": facts.time_origin, "profile": facts.profile, "note": facts.note,
        "warnings": list(facts.warnings),
    }  # fmt: skip
