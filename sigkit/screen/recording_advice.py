"""What to change before recording again."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sigkit.report.summarise_leads import flagged
from sigkit.screen.capture_facts import CaptureFacts, ChannelFacts, rate_in_words
from sigkit.screen.lead_rows import JUDGED_KINDS, LeadRows

# Limits from which advice is given, all our choice.
RATE_Hz, WISHED_RATE = 100_000.0, "500 kS/s"
STEPS_OF_BURN = 20.0
SHARE = 0.1
DWELL_SHARE = NOISE_SHARE = 0.5
FEWEST_FIRINGS = 5

#: Advice -> what is said of all captures it concerns, for the page.
GENERAL_ADVICE = {
    "low_rate": (
        f"Record faster, at {WISHED_RATE} or more: below 100 kS/s breakdown and short sparks are not resolved."
    ),
    "clipping": (
        "Choose a larger input range or a pickup that divides more: firings reach the limit of the "
        "recorder, so their peak is a lower bound only."
    ),
    "few_codes": (
        "Choose a smaller input range, or a recorder with more bits: the burn line spans few steps of "
        "the recorder, so burn voltage and slope are coarse."
    ),
    "cut": ("Record longer, or start earlier: firings are cut by the begin or the end of the record."),
    "no_dwell": (
        "The switching-on of the coil is not visible: start the record earlier, or record the primary "
        "voltage or the coil current as well, to have the dwell time."
    ),
    "noisy": (
        "Reduce the noise: earth the recorder first and well, keep its cables short and away from the "
        "leads, fit the pickup firmly."
    ),
    "few_firings": (
        f"Record longer: fewer than {FEWEST_FIRINGS} firings of a lead say little about how steady it is."
    ),
    "no_scale": (
        "Give the scale: without full_scale_V in captures.csv voltages are in stored units and cannot be "
        "compared between recorders."
    ),
    "no_firings": (
        "No firing was found: check that the pickup sits on the lead, that the right channel was "
        "recorded, and that the range fits."
    ),
    "no_engine": (
        "Name the engine in captures.csv (sigkit screen --write-sidecar makes one to fill in): captures "
        "of one engine are then compared with each other."
    ),
    "no_cylinder": (
        "Name cylinders and coils in captures.csv, or use --leads: siblings and shared coils can then be "
        "compared."
    ),
}
#: Advice that concerns the description, not the recording; it is said once for all, not at each capture.
DESCRIPTION_ADVICE = ("no_engine", "no_cylinder")


@dataclass(frozen=True)
class Advice:
    """One thing to change.

    Attributes
    ----------
    code : str
        A key of `GENERAL_ADVICE`.
    text : str
        The advice with this capture's own numbers.
    """

    code: str
    text: str


def advise(
    facts: CaptureFacts,
    table: Mapping[str, NDArray],
    leads: list[LeadRows],
    firings_of_engine: Mapping[str, int] | None = None,
) -> list[Advice]:
    """Return what to change before recording a capture again, most important first.

    Parameters
    ----------
    facts : CaptureFacts
    table : mapping of str to ndarray
        Firing table of the capture.
    leads : list of LeadRows
        Its judged leads.
    firings_of_engine : mapping of str to int, optional
        Firings by lead in words over all captures of the engine: many short captures are as good as a long one.

    Returns
    -------
    list of Advice
    """
    in_all = firings_of_engine or {}
    found = np.concatenate([lead.found for lead in leads]) if leads else np.zeros(0, dtype=int)
    judged = [channel for channel in facts.channels if channel.kind in JUDGED_KINDS]
    advice = [] if len(found) else [Advice("no_firings", GENERAL_ADVICE["no_firings"])]
    slow = sorted({channel.sample_rate_Hz for channel in facts.channels if channel.sample_rate_Hz < RATE_Hz})
    if slow:
        advice.append(
            Advice(
                "low_rate",
                f"Record faster, at {WISHED_RATE} or more: {rate_in_words(slow[0])} is one sample "
                f"in {1e6 / slow[0]:.3g} µs.",
            )
        )
    advice += _from_flags(table, found)
    for lead in leads:
        channel = facts.channel(lead.channel)
        steps = _burn_steps(channel, table, lead)
        if steps < STEPS_OF_BURN:
            advice.append(
                Advice(
                    "few_codes",
                    f"Choose a smaller input range, or a recorder with more bits: the burn line "
                    f"of {lead.title} spans {steps:.0f} steps of the recorder.",
                )
            )
            break
    few = [
        lead for lead in leads if len(lead.found) > 0 and in_all.get(lead.title, len(lead.found)) < FEWEST_FIRINGS
    ]
    if few:
        count = in_all.get(few[0].title, len(few[0].found))
        shows = f"{few[0].title} shows {count} firing{'' if count == 1 else 's'}"
        advice.append(Advice("few_firings", f"Record longer: {shows}, too few to tell how steady it is."))
    if any(channel.unit == "" for channel in judged):
        advice.append(Advice("no_scale", GENERAL_ADVICE["no_scale"]))
    if not facts.engine:
        advice.append(Advice("no_engine", GENERAL_ADVICE["no_engine"]))
    if len(judged) > 1 and not any(channel.cylinder or channel.coil for channel in judged):
        advice.append(Advice("no_cylinder", GENERAL_ADVICE["no_cylinder"]))
    return advice


def _from_flags(table: Mapping[str, NDArray], found: NDArray) -> list[Advice]:
    n = len(found)
    if not n:
        return []
    advice = []
    clipped, cut, no_dwell = (
        int(flagged(table, flag)[found].sum()) for flag in ("clipped", "cut", "no_dwell")
    )
    if clipped > SHARE * n:
        advice.append(
            Advice(
                "clipping",
                f"Choose a larger input range or a pickup that divides more: {clipped} of {n} "
                "firings reach the limit of the recorder, so their peak is a lower bound only.",
            )
        )
    if cut > SHARE * n:
        advice.append(
            Advice(
                "cut",
                f"Record longer, or start earlier: {cut} of {n} firings are cut by the begin or the "
                "end of the record.",
            )
        )
    if no_dwell > DWELL_SHARE * n:
        advice.append(Advice("no_dwell", GENERAL_ADVICE["no_dwell"]))
    noisy = np.zeros(n, dtype=bool)
    for column in ("burn_time_flag", "burn_voltage_flag", "breakdown_flag", "burn_end_flag"):
        noisy |= table[column][found] == "missing:too_noisy"
    if noisy.sum() > NOISE_SHARE * n:
        advice.append(Advice("noisy", GENERAL_ADVICE["noisy"]))
    return advice


def _burn_steps(channel: ChannelFacts, table: Mapping[str, NDArray], lead: LeadRows) -> float:
    burn = np.abs(table["burn_voltage_V"][lead.found])
    burn = burn[np.isfinite(burn)]
    if not len(burn) or channel.step <= 0.0:
        return np.inf
    return float(np.median(burn)) / channel.step
