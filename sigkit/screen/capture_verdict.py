"""The verdict on a capture and the score that orders captures, worst first."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from sigkit.report.summarise_leads import flagged
from sigkit.screen.lead_rows import SUSPICIOUS, LeadRows

#: How the score is made, for the report.
SCORE_WORDS = (
    "Each firing is given a weight between 0 and 1: 1 when it did not spark or was expected and not "
    "found, at least 0.8 for a flash (conduction shorter than 0.05 ms), otherwise the probability that its "
    "condition is any but normal, even where normal is the likeliest, and 0 where it was not judged. A lead's score "
    "is 70 times the mean weight of its firings, plus 30 when any of them did not spark, flashed only or "
    "is missing, so that a single misfire is not averaged away; a lead of reversed polarity scores at "
    "least 50. A capture's score is that of its worst lead. From 50 the verdict is “look here first”, "
    "from 25 “worth a look”, below “nothing stands out”. These numbers are choices, not measurements."
)
#: Weights and limits of the score, all our choice; `SCORE_WORDS` says the same.
FLASH_WEIGHT = 0.8
MEAN_PART, MISFIRE_PART = 70.0, 30.0
REVERSED_SCORE = 50.0
LOOK_FROM, WATCH_FROM = 50.0, 25.0
#: Weight where a condition comes without a probability (a plug-in's, say).
NO_PROBABILITY_WEIGHT = 0.5
#: Share of firings without a named condition from which a capture with a low score is not called clear.
UNJUDGED_SHARE = 0.5

LEVEL_WORDS = {
    "look": "look here first",
    "watch": "worth a look",
    "clear": "nothing stands out",
    "unjudged": "no condition could be named",
    "empty": "no firings found",
}


@dataclass(frozen=True)
class CaptureVerdict:
    """The verdict on one capture.

    Attributes
    ----------
    level : str
        A key of `LEVEL_WORDS`.
    score : float
        0 to 100, NaN when there is no firing.
    lead_scores : dict of str to float
        By channel name.
    """

    level: str
    score: float
    lead_scores: dict[str, float] = field(default_factory=dict)

    @property
    def words(self) -> str:
        """The verdict in words."""
        return LEVEL_WORDS[self.level]

    @property
    def worst_channel(self) -> str:
        """Channel of the worst lead, ``""`` when there is none; the first in order when several tie."""
        return max(self.lead_scores, key=lambda name: self.lead_scores[name]) if self.lead_scores else ""


def firing_weights(table: Mapping[str, NDArray]) -> NDArray[np.float64]:
    """Return how much each firing asks for a look, 0 to 1 (see `SCORE_WORDS`).

    Parameters
    ----------
    table : mapping of str to ndarray
        Firing table. Where it has no ``fault_probability``, the probability of a named fault stands for it.

    Returns
    -------
    ndarray of float64, shape (n,)
    """
    probability = np.asarray(table["condition_probability"], dtype=float)
    probability = np.where(np.isfinite(probability), np.clip(probability, 0.0, 1.0), NO_PROBABILITY_WEIGHT)
    weights = np.where(np.isin(table["condition"].astype(str), SUSPICIOUS), probability, 0.0)
    if "fault_probability" in table:
        # The best guess alone hides what ranks best: how likely a firing called normal is faulty after all.
        fault = np.asarray(table["fault_probability"], dtype=float)
        weights = np.where(np.isfinite(fault), np.clip(fault, 0.0, 1.0), weights)
    weights = np.where(table["sparked"] == "flash", np.maximum(weights, FLASH_WEIGHT), weights)
    return np.where((table["sparked"] == "no") | flagged(table, "absent"), 1.0, weights)


def judge_capture(
    table: Mapping[str, NDArray], leads: list[LeadRows], reversed_channels: frozenset[str] = frozenset()
) -> CaptureVerdict:
    """Return the verdict on one capture.

    Parameters
    ----------
    table : mapping of str to ndarray
        Firing table of the capture, with conditions.
    leads : list of LeadRows
        Leads to judge.
    reversed_channels : frozenset of str
        Channels whose polarity is reversed.

    Returns
    -------
    CaptureVerdict
    """
    if not any(len(lead.rows) for lead in leads):
        return CaptureVerdict("empty", float("nan"))
    weights = firing_weights(table)
    misfire = np.isin(table["sparked"].astype(str), ("no", "flash")) | flagged(table, "absent")
    scores = {}
    for lead in leads:
        score = MEAN_PART * float(np.mean(weights[lead.rows])) + MISFIRE_PART * bool(
            np.any(misfire[lead.rows])
        )
        scores[lead.channel] = max(score, REVERSED_SCORE) if lead.channel in reversed_channels else score
    score = max(scores.values())
    if score >= LOOK_FROM:
        level = "look"
    elif score >= WATCH_FROM:
        level = "watch"
    else:
        rows = np.concatenate([lead.rows for lead in leads])
        unnamed = np.isin(table["condition"][rows].astype(str), ("", "unknown"))
        level = "unjudged" if np.mean(unnamed) >= UNJUDGED_SHARE else "clear"
    return CaptureVerdict(level, score, scores)


def severity_order(verdict: CaptureVerdict, name_key: object) -> tuple[object, ...]:
    """Return the sort key that puts the worst capture first; captures without a score come last.

    Ties go by the mean of all leads, then by name, so the order never depends on the order of files.
    """
    if not np.isfinite(verdict.score):
        return (1, 0.0, 0.0, name_key)
    mean = sum(verdict.lead_scores.values()) / len(verdict.lead_scores)
    # Rounded, so that sums taken in another order cannot reorder captures.
    return (0, -round(verdict.score, 9), -round(mean, 9), name_key)
