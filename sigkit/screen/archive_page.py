"""The content of the page of a run, from judged captures."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from sigkit.capture.source_reference import Rejection
from sigkit.report.cautions import SIMULATED_NOTE, SUGGESTION_NOTE
from sigkit.report.firing_trace import name_of_lead
from sigkit.report.page_content import AdviceGroup, PageCapture, PageContent, RejectedInput
from sigkit.report.picture import Picture
from sigkit.report.summarise_coil_pairs import CoilPairSummary
from sigkit.report.summarise_leads import LeadSummary, natural_key
from sigkit.screen.capture_facts import facts_in_words
from sigkit.screen.capture_verdict import SCORE_WORDS
from sigkit.screen.judge_engine import JudgedCapture
from sigkit.screen.recording_advice import DESCRIPTION_ADVICE, GENERAL_ADVICE

#: Most captures shown in full, rows of the tables, and rejected inputs listed (our choice: a page a phone opens).
MOST_SHOWN = 12
MOST_ROWS = 400
MOST_REJECTED = 200
#: Captures shown in full when none asks for a look.
SHOWN_OF_CLEAR = 3
NO_MODEL_NOTE = (
    "No condition model was available in this run, so no condition is named; captures are ordered by firings without a "
    "spark and missing firings alone."
)
COUNT_WORDS = {
    "captures": "Captures", "firings": "Firings", "engines": "Engines named", "leads": "Leads",
    "without_spark": "Firings without a spark", "absent": "Expected, not found", "rejected": "Rejected inputs",
}  # fmt: skip


@dataclass(eq=False)
class ArchiveFindings:
    """Everything a run found.

    Attributes
    ----------
    judged : list of JudgedCapture
        Worst first when complete.
    leads, coil_pairs : list
    rejections : tuple of Rejection
    pictures : dict of str to tuple of Picture
        By capture, of those shown in full.
    """

    judged: list[JudgedCapture] = field(default_factory=list)
    leads: list[LeadSummary] = field(default_factory=list)
    coil_pairs: list[CoilPairSummary] = field(default_factory=list)
    rejections: tuple[Rejection, ...] = ()
    pictures: dict[str, tuple[Picture, ...]] = field(default_factory=dict)

    def counts(self) -> dict[str, int]:
        """Return the counts of the run."""
        total = {name: sum(one.counts[name] for one in self.judged) for name in ("firings", "without_spark", "absent")}
        engines = {one.facts.engine for one in self.judged} - {""}
        leads = {
            (one.facts.engine or one.facts.recording, channel.cylinder or channel.lead or channel.name)
            for one in self.judged
            for channel in one.facts.channels
        }
        return {
            "captures": len(self.judged), "firings": total["firings"], "engines": len(engines), "leads": len(leads),
            "without_spark": total["without_spark"], "absent": total["absent"], "rejected": len(self.rejections),
        }  # fmt: skip


def shown_in_full(judged: Sequence[JudgedCapture]) -> list[JudgedCapture]:
    """Return the captures the page shows with reasons and pictures, worst first."""
    ordered = sorted(judged, key=lambda one: one.order)
    worst = [one for one in ordered if one.verdict.level in ("look", "watch")][:MOST_SHOWN]
    return worst or ordered[:SHOWN_OF_CLEAR]


def archive_page(findings: ArchiveFindings, record: Mapping[str, Any], created: str) -> PageContent:
    """Return the content of the page.

    Parameters
    ----------
    findings : ArchiveFindings
        Complete, captures worst first.
    record : mapping
        What ``run.json`` holds.
    created : str
        Date and time in words.
    """
    counts, model, settings = record["counts"], record["model"], record["settings"]
    judged = findings.judged
    first = [_capture(one, findings.pictures.get(one.facts.name, ()), True) for one in shown_in_full(judged)]
    rejected = findings.rejections
    return PageContent(
        title="Screening report", what=f"Screened: {', '.join(settings['what'])}", created=f"Made {created}",
        summary=_summary(findings, counts), notes=tuple(_notes(model is not None, record["warnings"])),
        counts=tuple((COUNT_WORDS[name], str(value)) for name, value in counts.items()),
        settings=(
            ("Leads", ", ".join(settings["leads"]) or "as named in files and sidecar"),
            ("Sample rate", f"{settings['sample_rate_Hz']:g} Hz" if settings["sample_rate_Hz"] else "from the files"),
            ("Profile", settings["profile"] or "the one that matches"),
            ("Model", f"{model['id']} ({model['sha256'][:12]})" if model else "none"),
        ),
        versions=tuple((name, str(version)) for name, version in record["versions"].items()),
        score_words=SCORE_WORDS, score_scope=_scope(first, judged), worst=tuple(first),
        captures=tuple(_capture(one, (), False) for one in judged[:MOST_ROWS]),
        captures_left_out=max(0, len(judged) - MOST_ROWS), leads=tuple(findings.leads[:MOST_ROWS]),
        leads_left_out=max(0, len(findings.leads) - MOST_ROWS), coil_pairs=tuple(findings.coil_pairs[:MOST_ROWS]),
        advice=tuple(_advice(judged)),
        rejected=tuple(RejectedInput(r.capture, r.place, r.reason, r.remedy) for r in rejected[:MOST_REJECTED]),
        rejected_left_out=max(0, len(rejected) - MOST_REJECTED), kilovolt_factor=kilovolt_factors(judged),
    )  # fmt: skip


def _notes(with_model: bool, warnings: Sequence[str]) -> list[str]:
    return [SUGGESTION_NOTE, SIMULATED_NOTE if with_model else NO_MODEL_NOTE, *warnings]


def _summary(findings: ArchiveFindings, counts: Mapping[str, int]) -> str:
    if not counts["captures"]:
        return f"Nothing could be used: {_many(counts['rejected'], 'input')} rejected; reasons and remedies are below."
    level = [one.verdict.level for one in findings.judged]
    parts = [
        f"{_many(level.count('look'), 'capture')} to look at first",
        f"{level.count('watch')} worth a look",
        f"{level.count('clear') + level.count('unjudged')} in which nothing stands out",
    ]
    if level.count("empty"):
        parts.append(f"{level.count('empty')} without any firing")
    measured = f"{_many(counts['firings'], 'firing')} measured on {_many(counts['captures'], 'capture')}"
    text = f"{measured}: {', '.join(parts)}."
    return f"{text} {_many(counts['rejected'], 'input')} could not be used." if counts["rejected"] else text


def _scope(first: Sequence[PageCapture], judged: Sequence[JudgedCapture]) -> str:
    if not judged:
        return "No capture could be used."
    asking = sum(one.verdict.level in ("look", "watch") for one in judged)
    if not asking:
        return f"No capture asks for a look; {_many(len(first), 'capture')} of {len(judged)} shown, worst first."
    if len(first) == asking:
        return f"All {_many(asking, 'capture')} that ask for a look, of {len(judged)}, worst first."
    return f"The worst {len(first)} of {asking} captures that ask for a look, of {len(judged)}; the rest stand below."


def _many(count: int, word: str) -> str:
    return f"{count} {word}" if count == 1 else f"{count} {word}s"


def _capture(one: JudgedCapture, pictures: tuple[Picture, ...], in_full: bool) -> PageCapture:
    advice = tuple(advice.text for advice in one.advice if advice.code not in DESCRIPTION_ADVICE)
    warnings = tuple(f"The reader noted: {warning}." for warning in one.facts.warnings)
    return PageCapture(
        name=one.facts.name, engine=one.facts.engine, verdict=one.verdict.words, level=one.verdict.level,
        score=one.verdict.score, firings=one.counts["firings"], reasons=one.reasons, advice=(*advice, *warnings),
        facts=facts_in_words(one.facts), pictures=pictures,
        picture_note="No firing could be drawn." if in_full and not pictures else "",
    )  # fmt: skip


def _advice(judged: Sequence[JudgedCapture]) -> list[AdviceGroup]:
    concerned: dict[str, list[str]] = {}
    for one in sorted(judged, key=lambda one: natural_key(one.facts.name)):
        for code in dict.fromkeys(advice.code for advice in one.advice):
            concerned.setdefault(code, []).append(one.facts.name)
    return [AdviceGroup(GENERAL_ADVICE[code], tuple(concerned[code])) for code in GENERAL_ADVICE if code in concerned]


def kilovolt_factors(judged: Sequence[JudgedCapture]) -> dict[tuple[str, str], float]:
    """Return the factor from pickup volts to kV by (engine, lead), where one ratio holds for all its captures."""
    factors: dict[tuple[str, str], set[float]] = {}
    for one in judged:
        for channel in one.facts.channels:
            known = channel.pickup_ratio and channel.unit == "V" and channel.kind in ("secondary_voltage", "unknown")
            title = name_of_lead(channel.cylinder or channel.lead, "", channel.name)
            key = (one.facts.engine, title)
            factors.setdefault(key, set()).add(channel.pickup_ratio / 1000.0 if known and channel.pickup_ratio else 0.0)
    return {key: min(values) for key, values in factors.items() if len(values) == 1 and values != {0.0}}
