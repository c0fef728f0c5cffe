"""Why a capture has its verdict, in words: what is suggested, where, and on what evidence."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from sigkit.report.condition_words import condition_in_words, where_to_look
from sigkit.report.format_value import format_value
from sigkit.report.summarise_leads import MedianReading, flagged, readings_of
from sigkit.screen.capture_verdict import CaptureVerdict
from sigkit.screen.lead_rows import SUSPICIOUS, LeadRows

#: A suggestion is told when at least this share of a lead's firings carries it (our choice).
TOLD_SHARE = 0.1
#: Two leads differ when their medians do by more than this many standard uncertainties (our choice).
DISTINCT = 3.0
#: Quantities that are named as evidence, with their words; the slope last, being the least certain.
EVIDENCE = (
    ("firing_voltage", "firing voltage"),
    ("burn_time", "burn time"),
    ("burn_voltage", "burn voltage"),
    ("burn_slope", "burn slope"),
)
#: Quantities that belong to one end of a shared coil (design: physics that diagnosis must respect).
END_QUANTITIES = ("firing_voltage", "burn_voltage", "burn_slope")


def reasons_of(
    table: Mapping[str, NDArray],
    leads: list[LeadRows],
    verdict: CaptureVerdict,
    reversed_channels: frozenset[str] = frozenset(),
    condition_missing: str = "",
) -> list[str]:
    """Return the reasons of a verdict, the weightiest lead first.

    Parameters
    ----------
    table : mapping of str to ndarray
        Firing table of the capture, with conditions.
    leads : list of LeadRows
        Its judged leads.
    verdict : CaptureVerdict
    reversed_channels : frozenset of str
        Channels whose polarity is reversed.
    condition_missing : str
        Why no conditions were named in this run, ``""`` when they were.

    Returns
    -------
    list of str
        One sentence each, at least one.
    """
    if verdict.level == "empty":
        return ["No firing was found on any channel."]
    readings = {lead.channel: readings_of(table, lead.found) for lead in leads}
    reasons: list[str] = []
    for lead in sorted(leads, key=lambda lead: -verdict.lead_scores.get(lead.channel, 0.0)):
        reasons += _misfires(table, lead)
        if lead.channel in reversed_channels:
            reasons.append(
                f"{_start(lead.title)}: its polarity is reversed against what its coil should give: look at "
                f"{where_to_look('reversed_polarity')}."
            )
    reasons += _suggestions(table, leads, readings, verdict)
    unnamed = sum(
        int(np.isin(table["condition"][lead.found].astype(str), ("", "unknown")).sum()) for lead in leads
    )
    total = sum(len(lead.found) for lead in leads)
    if condition_missing:
        # The page says it once for all; here only where nothing else explains the verdict.
        reasons += [condition_missing] if verdict.level == "unjudged" else []
    elif unnamed and (verdict.level == "unjudged" or 2 * unnamed >= total):
        reasons.append(f"The evidence does not carry one condition in {unnamed} of {total} firings.")
    if not reasons or verdict.level in ("clear", "unjudged"):
        reasons.insert(0, _plain_summary(leads, readings))
    return reasons


def _start(title: str) -> str:
    return title[:1].upper() + title[1:]


def _firings(n: int, of: int | None = None) -> str:
    if of is None:
        return f"{n} firing{'' if n == 1 else 's'}"
    return f"{n} of {of} firing{'' if of == 1 else 's'}"


def _misfires(table: Mapping[str, NDArray], lead: LeadRows) -> list[str]:
    reasons = []
    absent = int(flagged(table, "absent")[lead.rows].sum())
    sparked = table["sparked"][lead.found]
    if absent:
        verb = "was" if absent == 1 else "were"
        reasons.append(
            f"{_start(lead.title)}: {_firings(absent)} {verb} expected and not found ({len(lead.found)} "
            "found)."
        )
    for state, words in (("no", "without a spark"), ("flash", "with a flash shorter than 0.05 ms only")):
        count = int((sparked == state).sum())
        if count:
            reasons.append(f"{_start(lead.title)}: {_firings(count, len(lead.found))} {words}.")
    return reasons


def _suggestions(
    table: Mapping[str, NDArray],
    leads: list[LeadRows],
    readings: Mapping[str, dict[str, MedianReading]],
    verdict: CaptureVerdict,
) -> list[str]:
    """Tell what is suggested of each lead, both ends of a shared coil together where they agree."""
    told: list[tuple[float, str]] = []
    done: set[str] = set()
    suggested = {lead.channel: _main_suggestion(table, lead) for lead in leads}
    for lead in leads:
        found = suggested[lead.channel]
        if found is None or lead.channel in done:
            continue
        condition, count, probability, also = found
        partner = _partner(lead, leads)
        name, evidence = _start(lead.title), _evidence(lead, leads, readings)
        if partner is not None:
            name = f"Coil pair {lead.coil} ({lead.title} and {partner.title})"
            other = suggested[partner.channel]
            if other is not None and other[0] == condition:
                done.add(partner.channel)
                name, count = f"{name}, both ends", count + other[1]
                total = len(lead.found) + len(partner.found)
            else:
                total = len(lead.found)
                name += _which_end(lead, partner, table)
        else:
            total = len(lead.found)
        chance = f", mean probability {probability:.2f}" if np.isfinite(probability) else ""
        tail = f"; {also} cannot be excluded" if also else ""
        look = where_to_look(condition)
        verb = "suggests" if total == 1 else "suggest"
        told_look = f"Look at {look}." if look else ""
        text = f"{name}: {_firings(count, total)} {verb} {condition_in_words(condition)}{chance}{tail}. "
        text = f"{text}{evidence}{told_look}".rstrip()
        told.append((verdict.lead_scores.get(lead.channel, 0.0), text))
    return [text for _, text in sorted(told, key=lambda item: -item[0])]


def _main_suggestion(table: Mapping[str, NDArray], lead: LeadRows) -> tuple[str, int, float, str] | None:
    conditions = table["condition"][lead.found].astype(str)
    counts = Counter(condition for condition in conditions if condition in SUSPICIOUS)
    if not counts:
        return None
    condition, count = min(counts.items(), key=lambda item: (-item[1], item[0]))
    if count < TOLD_SHARE * len(lead.found):
        return None
    mine = lead.found[conditions == condition]
    probability = table["condition_probability"][mine]
    probability = (
        float(np.mean(probability[np.isfinite(probability)])) if np.isfinite(probability).any() else np.nan
    )
    others: Counter[str] = Counter()
    for answer in table["condition_set"][mine]:
        others.update(set(str(answer).split("|")) - {condition, ""})
    likely = sorted(
        (name for name, seen in others.items() if 2 * seen >= len(mine)),
        key=lambda name: (-others[name], name),
    )
    return condition, count, probability, " and ".join(condition_in_words(name) for name in likely[:3])


def _partner(lead: LeadRows, leads: list[LeadRows]) -> LeadRows | None:
    if not lead.coil:
        return None
    same = [other for other in leads if other.coil == lead.coil]
    return next((other for other in same if other.channel != lead.channel), None) if len(same) == 2 else None


def _which_end(lead: LeadRows, partner: LeadRows, table: Mapping[str, NDArray]) -> str:
    """Name the end only where voltage or slope tells the two apart, comparing equal roles."""
    for role in ("power", "waste", "unknown", "single"):
        mine, other = (rows[table["role"][rows] == role] for rows in (lead.found, partner.found))
        if not len(mine) or not len(other):
            continue
        first, second = readings_of(table, mine), readings_of(table, other)
        if any(_distinct(first[name], second[name]) for name in END_QUANTITIES):
            return f", at the end of {lead.title}"
    return ", which end is not told by voltage or slope"


def _distinct(first: MedianReading, second: MedianReading) -> bool:
    # The two ends of a coil have opposite polarity: magnitudes are compared.
    difference = abs(abs(first.value) - abs(second.value))
    u = np.hypot(first.u, second.u)
    return bool(np.isfinite(difference) and np.isfinite(u) and difference > DISTINCT * u)


def _evidence(lead: LeadRows, leads: list[LeadRows], readings: Mapping[str, dict[str, MedianReading]]) -> str:
    """Name the quantities in which a lead differs from the median of its siblings."""
    others = [other for other in leads if other.channel != lead.channel and len(other.found)]
    if len(others) < 2:
        return ""
    parts = []
    for name, word in EVIDENCE:
        mine = readings[lead.channel][name]
        rest = [
            readings[other.channel][name]
            for other in others
            if np.isfinite(readings[other.channel][name].value)
        ]
        if not np.isfinite(mine.value) or not rest:
            continue
        sign = 1.0 if name in ("burn_time", "burn_slope") else np.sign(mine.value) or 1.0
        middle = float(
            np.median(
                [
                    abs(reading.value) if sign != 1.0 or "voltage" in name else reading.value
                    for reading in rest
                ]
            )
        )
        u = float(np.median([reading.u for reading in rest]))
        size = abs(mine.value) if "voltage" in name else mine.value
        if abs(size - middle) > DISTINCT * np.hypot(mine.u, u):
            unit = {"burn_time": "ms", "burn_slope": "V/ms"}.get(name, "V")
            parts.append(
                f"{word} {format_value(size, mine.u, unit)} against {format_value(middle, unit=unit)} on "
                "the others"
            )
    return f"{_start('; '.join(parts))}. " if parts else ""


def _plain_summary(leads: list[LeadRows], readings: Mapping[str, dict[str, MedianReading]]) -> str:
    burn = [readings[lead.channel]["burn_time"].value for lead in leads]
    burn = [value for value in burn if np.isfinite(value)]
    firings = sum(len(lead.found) for lead in leads)
    names = "1 lead" if len(leads) == 1 else f"{len(leads)} leads"
    text = f"{_firings(firings)} on {names}"
    if not burn:
        return f"{text}; no burn time could be measured."
    low, high = min(burn), max(burn)
    span = f"{low:.2f} ms" if f"{low:.2f}" == f"{high:.2f}" else f"{low:.2f} to {high:.2f} ms"
    return f"{text}; burn time {span} in the median."
