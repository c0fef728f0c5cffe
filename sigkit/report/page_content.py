"""What the page of a run shows, as plain data."""

from __future__ import annotations

from dataclasses import dataclass, field

from sigkit.report.picture import Picture
from sigkit.report.summarise_coil_pairs import CoilPairSummary
from sigkit.report.summarise_leads import LeadSummary

#: Level of a verdict -> shape shown beside its words. Levels differ by shape and word, not by colour alone.
LEVEL_SHAPES = {"look": "▲", "watch": "◆", "clear": "●", "unjudged": "◌", "empty": "○"}


@dataclass(frozen=True)
class PageCapture:
    """One capture on the page.

    Attributes
    ----------
    name, engine : str
    verdict : str
        In words.
    level : str
        A key of `LEVEL_SHAPES`.
    score : float
        0 to 100, NaN where there is none.
    firings : int
    reasons, advice : tuple of str
        In words.
    facts : tuple of (str, str)
        Name and value: channels, rate, duration, format.
    pictures : tuple of Picture
        The first is shown, the others are folded away.
    picture_note : str
        Why there is no picture, ``""`` when there is one.
    """

    name: str
    engine: str
    verdict: str
    level: str
    score: float
    firings: int
    reasons: tuple[str, ...] = ()
    advice: tuple[str, ...] = ()
    facts: tuple[tuple[str, str], ...] = ()
    pictures: tuple[Picture, ...] = ()
    picture_note: str = ""

    @property
    def shape(self) -> str:
        """Shape that stands beside the verdict."""
        return LEVEL_SHAPES[self.level]


@dataclass(frozen=True)
class AdviceGroup:
    """One thing to change before recording again, and the captures it concerns."""

    text: str
    captures: tuple[str, ...]


@dataclass(frozen=True)
class RejectedInput:
    """An input that could not be used."""

    capture: str
    place: str
    reason: str
    remedy: str


@dataclass(frozen=True)
class PageContent:
    """Everything on the page.

    Attributes
    ----------
    title, what, created : str
        ``created`` is date and time with zone.
    summary : str
        One or two sentences: what was found.
    counts, settings, versions : tuple of (str, str)
        Name and value, in order.
    score_words, score_scope : str
        How the score is defined; what the first list holds ("3 of 40 captures").
    worst : tuple of PageCapture
        Captures shown in full, worst first.
    captures : tuple of PageCapture
        Rows of the table of all captures, worst first.
    captures_left_out : int
        Rows not shown there; they are in ``captures.csv``.
    leads, coil_pairs : tuple
    leads_left_out : int
    advice : tuple of AdviceGroup
    rejected : tuple of RejectedInput
    rejected_left_out : int
    notes : tuple of str
        What the reader must know first.
    kilovolt_factor : dict of (str, str) to float
        (engine, lead in words) -> factor from pickup volts to kV, where the ratio is known.
    """

    title: str
    what: str
    created: str
    summary: str
    counts: tuple[tuple[str, str], ...]
    settings: tuple[tuple[str, str], ...]
    versions: tuple[tuple[str, str], ...]
    score_words: str = ""
    score_scope: str = ""
    worst: tuple[PageCapture, ...] = ()
    captures: tuple[PageCapture, ...] = ()
    captures_left_out: int = 0
    leads: tuple[LeadSummary, ...] = ()
    leads_left_out: int = 0
    coil_pairs: tuple[CoilPairSummary, ...] = ()
    advice: tuple[AdviceGroup, ...] = ()
    rejected: tuple[RejectedInput, ...] = ()
    rejected_left_out: int = 0
    notes: tuple[str, ...] = ()
    kilovolt_factor: dict[tuple[str, str], float] = field(default_factory=dict)
