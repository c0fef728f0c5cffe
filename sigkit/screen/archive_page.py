"""The content of the page of a run, from judged captures."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from sigkit.capture.source_reference import Rejection
from sigkit.report.firing_trace import FiringTrace, name_of_lead
from sigkit.report.page_content import AdviceGroup, PageCapture, PageContent, RejectedInput
from sigkit.report.picture import Picture, draw_firing, draw_parade, draw_superimposed
from sigkit.report.summarise_coil_pairs import summarise_coil_pairs
from sigkit.report.summarise_leads import natural_key, summarise_leads
from sigkit.screen.capture_facts import facts_in_words
from sigkit.screen.capture_verdict import SCORE_WORDS
from sigkit.screen.lead_rows import JUDGED_KINDS
from sigkit.screen.recording_advice import GENERAL_ADVICE
from sigkit.types.firing_table import Table

if TYPE_CHECKING:
    from sigkit.screen.screen_archive import JudgedCapture

#: Most captures shown in full, rows of the tables, and rejected inputs listed (our choice: a page a phone opens).
MOST_SHOWN = 12
MOST_ROWS = 400
MOST_REJECTED = 200


def archive_page(
    judged: Sequence[JudgedCapture], table: Table, rejections: Sequence[Rejection], record: dict[str, Any], created: str
) -> PageContent:
    """Return the content of the page; captures come worst first already."""
    counts, model = record["counts"], record["model"]
    worst = [one for one in judged if one.verdict.level in ("look", "watch")][:MOST_SHOWN]
    worst = worst or list(judged[: min(3, len(judged))])
    first = [_capture(one, with_pictures=True) for one in worst]
    seen = np.isin(table["channel_kind"], JUDGED_KINDS) if "channel_kind" in table else np.ones(0, dtype=bool)
    leads_table = {name: column[seen] for name, column in table.items()} if seen.size else table
    leads = summarise_leads(leads_table)
    look = sum(one.verdict.level == "look" for one in judged)
    watch = sum(one.verdict.level == "watch" for one in judged)
    notes = [
        "Conditions are suggestions of where to look, not findings: confirm them on the engine before replacing parts.",
        "The condition model and every accuracy figure of sigkit come from simulated engines only."
        if model else "No condition model was available in this run: no condition is named.",
        *record["warnings"],
    ]  # fmt: skip
    settings = record["settings"]
    return PageContent(
        title="sigkit screening report", what=", ".join(settings["what"]), created=created,
        summary=(
            f"{counts['firings']} firings on {counts['captures']} captures were measured; {look} captures ask for a "
            f"look first, {watch} are worth a look, {counts['rejected']} inputs could not be used."
        ),
        counts=tuple((name, str(value)) for name, value in counts.items()),
        settings=(
            ("leads", ", ".join(settings["leads"]) or "as named in the files"),
            ("sample rate", f"{settings['sample_rate_Hz']:g} Hz" if settings["sample_rate_Hz"] else "from the files"),
            ("profile", settings["profile"] or "what matches"),
            ("model", f"{model['id']} ({model['sha256'][:12]})" if model else "none"),
        ),
        versions=tuple(record["versions"].items()), score_words=SCORE_WORDS,
        score_scope=f"{len(first)} of {len(judged)} captures", worst=tuple(first),
        captures=tuple(_capture(one, with_pictures=False) for one in judged[:MOST_ROWS]),
        captures_left_out=max(0, len(judged) - MOST_ROWS), leads=tuple(leads[:MOST_ROWS]),
        leads_left_out=max(0, len(leads) - MOST_ROWS), coil_pairs=tuple(summarise_coil_pairs(leads_table)),
        advice=tuple(_advice(judged)),
        rejected=tuple(RejectedInput(r.capture, r.place, r.reason, r.remedy) for r in rejections[:MOST_REJECTED]),
        rejected_left_out=max(0, len(rejections) - MOST_REJECTED), notes=tuple(notes),
        kilovolt_factor=_kilovolts(judged),
    )  # fmt: skip


def _capture(one: JudgedCapture, with_pictures: bool) -> PageCapture:
    facts = one.screened.facts
    pictures = _pictures(one) if with_pictures else ()
    return PageCapture(
        name=facts.name, engine=facts.engine, verdict=one.verdict.words, level=one.verdict.level,
        score=one.verdict.score, firings=int((one.table["firing"] >= 0).sum()), reasons=one.reasons,
        advice=tuple(a.text for a in one.advice), facts=facts_in_words(facts), pictures=pictures,
        picture_note="" if pictures or not with_pictures else "No firing could be drawn.",
    )  # fmt: skip


def _pictures(one: JudgedCapture) -> tuple[Picture, ...]:
    traces = [trace for trace in one.screened.traces if len(trace.time_ms) > 1]
    if not traces:
        return ()
    by_channel: dict[str, list[FiringTrace]] = {}
    for trace in traces:
        by_channel.setdefault(trace.channel, []).append(trace)
    worst = one.verdict.worst_channel
    worst = worst if worst in by_channel else next(iter(by_channel))
    pictures = [draw_superimposed(by_channel[worst])]
    if len(by_channel) > 1:
        order = one.screened.facts.firing_order
        parade = [_typical(members) for members in by_channel.values()]
        place = {cylinder: number for number, cylinder in enumerate(order)}
        parade.sort(key=lambda t: (place.get(t.cylinder, len(place)), natural_key(t.title)))
        pictures.append(draw_parade(parade))
    pictures.append(draw_firing(_typical(by_channel[worst])))
    return tuple(pictures)


def _typical(traces: Sequence[FiringTrace]) -> FiringTrace:
    """The firing whose burn time is the median one; the first when none has any."""
    burn = np.array([float(trace.row.get("burn_time_ms", np.nan)) for trace in traces])
    known = np.flatnonzero(np.isfinite(burn))
    if known.size == 0:
        return traces[0]
    return traces[int(known[np.argsort(burn[known], kind="stable")[known.size // 2]])]


def _advice(judged: Sequence[JudgedCapture]) -> list[AdviceGroup]:
    concerned: dict[str, list[str]] = {}
    for one in sorted(judged, key=lambda one: natural_key(one.screened.facts.name)):
        for item in one.advice:
            names = concerned.setdefault(item.code, [])
            if one.screened.facts.name not in names:
                names.append(one.screened.facts.name)
    return [AdviceGroup(GENERAL_ADVICE[code], tuple(concerned[code])) for code in GENERAL_ADVICE if code in concerned]


def _kilovolts(judged: Sequence[JudgedCapture]) -> dict[tuple[str, str], float]:
    factors: dict[tuple[str, str], float] = {}
    for one in judged:
        facts = one.screened.facts
        for channel in facts.channels:
            if channel.pickup_ratio and channel.unit == "V" and channel.kind in ("secondary_voltage", "unknown"):
                title = name_of_lead(channel.cylinder or channel.lead, "", channel.name)
                factors[facts.engine, title] = channel.pickup_ratio / 1000.0
    return factors
