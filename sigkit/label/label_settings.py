"""How a reader works: mode, blindness, order, and where to look."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from sigkit.corpus.label_record import check_reader
from sigkit.errors import SettingsError

MODES = ("firing", "whole_capture")


@dataclass(frozen=True)
class LabelSettings:
    """How a reader works.

    Attributes
    ----------
    reader : str
    mode : str
        ``firing`` or ``whole_capture``.
    blind : bool
    seed : int
    repeat_share : float
        Share of firings shown twice when blind, 0 to 1.
    origin : str
        ``cursor``, or ``picture`` when the readings are made from rendered pictures of the page.
    proposals : tuple of Path
    only_proposals : bool
        Show the proposed firings only, not those that labels add; when not blind, in the order of the tables.
    """

    reader: str
    mode: str = "firing"
    blind: bool = True
    seed: int = 1
    repeat_share: float = 0.1
    origin: str = "cursor"
    proposals: tuple[Path, ...] = ()
    only_proposals: bool = False

    def __post_init__(self) -> None:
        check_reader(self.reader)
        if self.mode not in MODES:
            raise SettingsError(f"mode {self.mode!r}; known: {', '.join(MODES)}")
        if self.origin not in ("cursor", "picture"):
            raise SettingsError(f"origin {self.origin!r}; a reader at this page makes cursor or picture labels")
        if not 0.0 <= self.repeat_share <= 1.0:
            raise SettingsError(f"repeat share {self.repeat_share}; expected 0 to 1")
