"""Screen a whole archive into tables and a page."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from sigkit.capture.open_captures import PlannedSource, plan_opening
from sigkit.capture.source_reference import Rejection
from sigkit.classify.model_store import Model, load_default_model, load_model
from sigkit.jobs import TaskFailure, available_cores, stream_jobs
from sigkit.provenance import versions
from sigkit.report.page import render_page
from sigkit.report.picture import Picture
from sigkit.report.report_folder import PROGRAM, check_output_folder, report_folder
from sigkit.report.summarise_coil_pairs import summarise_coil_pairs
from sigkit.report.summarise_leads import natural_key, summarise_leads
from sigkit.report.write_tables import FiringTableWriter, write_captures, write_rejected, write_run_record
from sigkit.screen.archive_page import ArchiveFindings, archive_page, shown_in_full
from sigkit.screen.draw_capture import DrawTask, draw_capture, rows_to_draw
from sigkit.screen.judge_engine import JudgedCapture, capture_row, judge_engine, judged_rows
from sigkit.screen.measured_store import MeasuredStore
from sigkit.screen.screen_source import ScreenedCapture, ScreenedSource, screen_source
from sigkit.shipped import said_of
from sigkit.types.firing_table import Table


@dataclass(frozen=True)
class ScreenSummary:
    """What a run found, for the terminal and the exit code; ``model`` is ``""`` where there was none."""

    captures: int
    firings: int
    rejected: int
    out: Path
    model: str = ""


@dataclass(frozen=True, eq=False)
class _Measured:
    """A measured capture whose tables are laid aside."""

    screened: ScreenedCapture
    source: int
    number: int


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

    Files are measured in parallel and their tables laid aside; engines are then judged one after the
    other. Memory holds one engine and a few files, however large the archive.

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
    from threadpoolctl import threadpool_limits

    check_output_folder(out, overwrite)
    plan = plan_opening(what, leads=leads, sample_rate_Hz=sample_rate_Hz, profile=profile)
    chosen = load_model(model) if model else load_default_model()
    called = [said_of(one) for one in what]
    settings = {"what": called, "leads": list(leads), "sample_rate_Hz": sample_rate_Hz, "profile": profile}
    with report_folder(out, overwrite) as folder:
        store = MeasuredStore(folder / ".measured")
        measured, rejections = _measure_all(plan.sources, store, workers, progress)
        rejections = sorted([*plan.rejections, *rejections], key=lambda one: (one.capture, one.place))
        # One thread: gradient-boosted trees on small tables wait for busy cores far longer than they compute.
        with threadpool_limits(limits=1):
            findings, tasks = _judge_all(folder, measured, plan.sources, store, chosen)
        store.remove()
        findings = replace(findings, rejections=tuple(rejections), pictures=_draw(tasks, workers, progress))
        return _write(folder, Path(out), findings, chosen, settings, plan.warnings)


def _measure_all(
    sources: Sequence[PlannedSource], store: MeasuredStore, workers: int, progress: bool
) -> tuple[list[_Measured], list[Rejection]]:
    measured: list[_Measured] = []
    rejections: list[Rejection] = []
    answers = stream_jobs(
        screen_source, list(sources), _useful_workers(workers, len(sources)),
        progress="measuring" if progress else "", describe=lambda planned: planned.reference.name,
        byte_count=lambda planned: planned.reference.size_bytes,
    )  # fmt: skip
    for place, (planned, answer) in enumerate(zip(sources, answers, strict=True)):
        if isinstance(answer, TaskFailure):
            reason = f"measuring it failed: {type(answer.error).__name__}: {answer.error}"
            remedy = "report this with the file; the other captures are unaffected"
            rejections.append(
                Rejection(planned.reference.name, "", reason, remedy, planned.reference.size_bytes)
            )
            continue
        screened: ScreenedSource = answer
        for capture in screened.captures:
            number = store.put(capture.table, capture.intervals)
            measured.append(_Measured(replace(capture, table={}, intervals={}), place, number))
        if screened.rejection is not None:
            rejections.append(screened.rejection)
    return measured, rejections


def _useful_workers(workers: int, tasks: int) -> int:
    return min(workers or available_cores(), max(1, tasks))


def _by_engine(measured: Sequence[_Measured]) -> Iterator[list[_Measured]]:
    """Yield the captures engine by engine, in natural order; a recording stands for an engine without a name."""
    engines: dict[tuple[bool, str], list[_Measured]] = {}
    for one in measured:
        facts = one.screened.facts
        engines.setdefault((not facts.engine, facts.engine or facts.recording), []).append(one)
    for key in sorted(engines, key=lambda key: (key[0], natural_key(key[1]))):
        yield sorted(engines[key], key=lambda one: natural_key(one.screened.facts.name))


def _judge_all(
    folder: Path, measured: Sequence[_Measured], sources: Sequence[PlannedSource], store: MeasuredStore,
    model: Model | None,
) -> tuple[ArchiveFindings, dict[str, DrawTask]]:  # fmt: skip
    """Judge engine after engine, write its rows, and keep what the worst captures need to be drawn."""
    writer = FiringTableWriter(folder)
    findings = ArchiveFindings()
    tasks: dict[str, DrawTask] = {}
    for members in _by_engine(measured):
        loaded = []
        for one in members:
            table, intervals = store.take(one.number)
            loaded.append(replace(one.screened, table=table, intervals=intervals))
        table, judged = judge_engine(loaded, model)
        shown = judged_rows(table)
        findings.leads += summarise_leads(shown)
        findings.coil_pairs += summarise_coil_pairs(shown)
        findings.judged += judged
        for one, screened, verdict in zip(members, loaded, judged, strict=True):
            rows = table["capture"] == screened.facts.name
            writer.append({name: column[rows] for name, column in table.items()}, screened.intervals)
            own = shown["capture"] == screened.facts.name
            tasks[screened.facts.name] = _task(
                sources[one.source], {n: c[own] for n, c in shown.items()}, screened.intervals, verdict
            )
        # Only what may still be shown keeps its rows, so memory does not grow with the archive.
        kept = {one.facts.name for one in shown_in_full(findings.judged)}
        tasks = {name: task for name, task in tasks.items() if name in kept}
    writer.close()
    findings.judged.sort(key=lambda one: one.order)
    return findings, tasks


def _task(planned: PlannedSource, table: Table, intervals: Table, verdict: JudgedCapture) -> DrawTask:
    rows = rows_to_draw(table)
    return DrawTask(
        planned, verdict.facts.name, {name: column[rows] for name, column in table.items()}, intervals,
        verdict.verdict.worst_channel, verdict.facts.firing_order,
    )  # fmt: skip


def _draw(tasks: dict[str, DrawTask], workers: int, progress: bool) -> dict[str, tuple[Picture, ...]]:
    """Draw the worst captures; a file that can no longer be read leaves its capture without a picture."""
    listed = list(tasks.values())
    answers = stream_jobs(
        draw_capture, listed, _useful_workers(workers, len(listed)), progress="drawing" if progress else "",
        describe=lambda task: task.capture,
    )  # fmt: skip
    return {
        task.capture: () if isinstance(answer, TaskFailure) else answer
        for task, answer in zip(listed, answers, strict=True)
    }


def _write(
    folder: Path, out: Path, findings: ArchiveFindings, model: Model | None, settings: dict[str, Any],
    warnings: Sequence[str],
) -> ScreenSummary:  # fmt: skip
    write_captures(folder, [capture_row(one) for one in findings.judged])
    write_rejected(
        folder,
        [
            {"capture": one.capture, "place": one.place, "reason": one.reason, "remedy": one.remedy}
            for one in findings.rejections
        ],
    )
    counts = findings.counts()
    record = {
        "program": PROGRAM, "versions": versions(), "settings": settings,
        "model": None if model is None else {"id": model.identifier, "sha256": model.content_hash},
        "seeds": {} if model is None else {"model": model.seed}, "counts": counts, "warnings": list(warnings),
    }  # fmt: skip
    write_run_record(folder, record)
    now = datetime.now().astimezone().strftime("%Y-%m-%d %H:%M %Z")
    (folder / "report.html").write_text(render_page(archive_page(findings, record, now)), encoding="utf-8")
    return ScreenSummary(counts["captures"], counts["firings"], counts["rejected"], out,
                         "" if model is None else model.identifier)
