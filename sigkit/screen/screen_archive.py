"""Screen a whole archive into tables and a page."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np

from sigkit.capture.open_captures import PlannedSource, plan_opening
from sigkit.capture.source_reference import Rejection
from sigkit.classify.judge_table import judge_table
from sigkit.classify.lead_verdict import reversed_channels
from sigkit.classify.model_store import Model, load_default_model, load_model
from sigkit.context.apply_context import apply_context
from sigkit.jobs import TaskFailure, available_cores, stream_jobs
from sigkit.provenance import versions
from sigkit.report.page import render_page
from sigkit.report.report_folder import report_folder
from sigkit.report.summarise_leads import flagged, natural_key
from sigkit.report.write_tables import FiringTableWriter, write_captures, write_rejected, write_run_record
from sigkit.screen.archive_page import archive_page
from sigkit.screen.capture_verdict import CaptureVerdict, judge_capture, severity_order
from sigkit.screen.lead_rows import JUDGED_KINDS, leads_of
from sigkit.screen.reasons import reasons_of
from sigkit.screen.recording_advice import Advice, advise
from sigkit.screen.screen_source import ScreenedCapture, ScreenedSource, screen_source
from sigkit.types.firing_table import Table, concatenate, empty_table


@dataclass(frozen=True, eq=False)
class JudgedCapture:
    """One capture with its verdict."""

    screened: ScreenedCapture
    table: Table
    verdict: CaptureVerdict
    reasons: tuple[str, ...]
    advice: tuple[Advice, ...]


@dataclass(frozen=True)
class ScreenSummary:
    """What a run found: counts for the terminal and the exit code."""

    captures: int
    firings: int
    rejected: int
    out: Path


def screen_archive(
    what: Sequence[str],
    out: str | Path,
    *,
    leads: Sequence[str] = (),
    sample_rate_Hz: float | None = None,
    profile: str = "",
    model: str = "",
    workers: int = 0,
    overwrite: bool = False,
    progress: bool = True,
) -> ScreenSummary:
    """Screen files, folders, zips or addresses; see ``sigkit screen --help``.

    Parameters
    ----------
    what : sequence of str
    out : path
        Folder to write; complete or not there.
    leads : sequence of str
        Lead names, one a file or one a channel.
    sample_rate_Hz : float, optional
    profile, model : str
        Names; ``""`` for what matches and for the shipped model.
    workers : int
        Processes, 0 for one a core. Changes no number.
    overwrite : bool
        Replace the output of an earlier run.
    progress : bool

    Returns
    -------
    ScreenSummary

    Raises
    ------
    SigkitError
        When an entry does not exist, or settings, sidecar, profile or model cannot be used.
    """
    plan = plan_opening(what, leads=leads, sample_rate_Hz=sample_rate_Hz, profile=profile)
    chosen = load_model(model) if model else load_default_model()
    with report_folder(out, overwrite) as folder:
        captures, rejections = _measure_all(plan.sources, workers, progress)
        rejections = sorted([*plan.rejections, *rejections], key=lambda one: (one.capture, one.place))
        judged = _judge_all(captures, chosen)
        judged.sort(key=lambda one: severity_order(one.verdict, natural_key(one.screened.facts.name)))
        _write(folder, judged, rejections, chosen, _settings(what, leads, sample_rate_Hz, profile), plan.warnings)
    firings = sum(int((one.table["firing"] >= 0).sum()) for one in judged)
    return ScreenSummary(len(judged), firings, len(rejections), Path(out))


def _settings(what: Sequence[str], leads: Sequence[str], rate: float | None, profile: str) -> dict[str, Any]:
    return {"what": list(what), "leads": list(leads), "sample_rate_Hz": rate, "profile": profile}


def _measure_all(
    sources: Sequence[PlannedSource], workers: int, progress: bool
) -> tuple[list[ScreenedCapture], list[Rejection]]:
    captures: list[ScreenedCapture] = []
    rejections: list[Rejection] = []
    workers = min(workers or available_cores(), max(1, len(sources)))
    answers = stream_jobs(
        screen_source, list(sources), workers, progress="screening" if progress else "",
        describe=lambda planned: planned.reference.name, byte_count=lambda planned: planned.reference.size_bytes,
    )  # fmt: skip
    for planned, answer in zip(sources, answers, strict=True):
        if isinstance(answer, TaskFailure):
            rejections.append(
                Rejection(planned.reference.name, "", f"measuring it failed: {answer.error}",
                          "report this with the file; the other captures are unaffected",
                          planned.reference.size_bytes)
            )  # fmt: skip
            continue
        screened: ScreenedSource = answer
        captures += screened.captures
        if screened.rejection is not None:
            rejections.append(screened.rejection)
    return captures, rejections


def _judge_all(captures: Sequence[ScreenedCapture], model: Model | None) -> list[JudgedCapture]:
    """Context and conditions engine by engine, then a verdict for each capture."""
    engines: dict[str, list[ScreenedCapture]] = {}
    for one in captures:
        engines.setdefault(one.facts.engine or one.facts.recording, []).append(one)
    judged = []
    for _, members in sorted(engines.items()):
        table = apply_context(concatenate([m.table for m in members]), [m.info for m in members])
        table = judge_table(table, model)
        turned = reversed_channels(table)
        for member in members:
            rows = np.flatnonzero(table["capture"] == member.facts.name)
            own = {name: column[rows] for name, column in table.items()}
            judged.append(_judge(member, own, turned, model))
    return judged


def _judge(
    member: ScreenedCapture, table: Table, turned: frozenset[tuple[str, str]], model: Model | None
) -> JudgedCapture:
    seen = np.isin(table["channel_kind"], JUDGED_KINDS)
    judged_rows = {name: column[seen] for name, column in table.items()}
    leads = leads_of(judged_rows)
    own = frozenset(channel for capture, channel in turned if capture == member.facts.name)
    verdict = judge_capture(judged_rows, leads, own)
    lacking = "" if model is not None else "No condition model was available, so no condition is named."
    reasons = reasons_of(judged_rows, leads, verdict, own, lacking)
    return JudgedCapture(member, table, verdict, tuple(reasons), tuple(advise(member.facts, judged_rows, leads)))


def _write(
    folder: Path, judged: list[JudgedCapture], rejections: list[Rejection], model: Model | None,
    settings: dict[str, Any], warnings: Sequence[str],
) -> None:  # fmt: skip
    writer = FiringTableWriter(folder)
    for one in sorted(judged, key=lambda one: natural_key(one.screened.facts.name)):
        writer.append(one.table, one.screened.intervals)
    writer.close()
    write_captures(folder, [_row(one) for one in judged])
    write_rejected(
        folder,
        [{"capture": r.capture, "place": r.place, "reason": r.reason, "remedy": r.remedy} for r in rejections],
    )
    firings = sum(int((one.table["firing"] >= 0).sum()) for one in judged)
    counts = {"captures": len(judged), "firings": firings, "rejected": len(rejections)}
    record = {
        "program": "sigkit", "versions": versions(), "settings": settings,
        "model": None if model is None else {"id": model.identifier, "sha256": model.content_hash},
        "seeds": {} if model is None else {"model": model.seed}, "counts": counts, "warnings": list(warnings),
    }  # fmt: skip
    write_run_record(folder, record)
    table = concatenate([one.table for one in judged]) if judged else empty_table(0)
    now = datetime.now().astimezone().strftime("%Y-%m-%d %H:%M %Z")
    page = archive_page(judged, table, rejections, record, now)
    (folder / "report.html").write_text(render_page(page), encoding="utf-8")


def _row(one: JudgedCapture) -> dict[str, Any]:
    facts, table = one.screened.facts, one.table
    absent = flagged(table, "absent")
    named = [c for c in dict.fromkeys(str(c) for c in table["condition"]) if c not in ("", "unknown", "normal")]
    speeds = np.asarray(table["engine_speed_rpm"], dtype=float)
    speeds = speeds[np.isfinite(speeds)]
    return {
        "capture": facts.name, "engine": facts.engine, "verdict": one.verdict.words, "score": one.verdict.score,
        "reasons": list(one.reasons), "advice": [a.text for a in one.advice], "conditions": sorted(named),
        "firings": int((~absent).sum()), "firings_without_spark": int((table["sparked"] == "no").sum()),
        "firings_absent": int(absent.sum()), "channels": len(facts.channels),
        "sample_rate_Hz": sorted({c.sample_rate_Hz for c in facts.channels}),
        "duration_s": max((c.duration_s for c in facts.channels), default=0.0),
        "engine_speed_rpm": float(np.median(speeds)) if speeds.size else None, "format": facts.format,
        "recording": facts.recording, "sweep": facts.sweep, "time_origin": facts.time_origin,
        "profile": facts.profile, "note": facts.note, "warnings": list(facts.warnings),
    }  # fmt: skip
