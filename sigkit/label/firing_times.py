"""Where firings are shown: from a list of proposals and from labels, never from truth."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from sigkit.corpus.label_journal import LabelJournal
from sigkit.errors import SettingsError
from sigkit.label.capture_store import CaptureStore

#: Two times on one channel closer than this are one firing (our choice: no coil fires twice within it; a repeat
#: strike belongs to its firing).
SAME_FIRING_S = 1e-3
#: Columns of a proposal that may be shown to a reader who is not blind.
SHOWN = ("coil_on_s", "coil_off_s", "breakdown_s", "burn_end_s", "sparked", "condition", "given", "likely")
#: Below this probability of its best guess a model counts as uncertain (our choice).
UNCERTAIN = 0.7


@dataclass(frozen=True)
class FiringTime:
    """One place to look at.

    Attributes
    ----------
    capture, channel : str
    time_s : float
        On the capture's own axis.
    uncertain : bool
        A model was asked and does not know well.
    proposal : dict
        What an algorithm says; empty for a place that comes from a label.
    """

    capture: str
    channel: str
    time_s: float
    uncertain: bool = False
    proposal: dict[str, Any] = field(default_factory=dict)


def read_proposals(path: Path, store: CaptureStore) -> list[FiringTime]:
    """Read a table of proposals: CSV or Parquet with ``capture``, ``channel`` and ``time_s``.

    The firing table of ``sigkit screen DATASET/captures`` is such a table; ``condition_probability`` is used for the
    queue of firings a model is uncertain of.

    Parameters
    ----------
    path : Path
    store : CaptureStore

    Raises
    ------
    SettingsError
        When a column is missing, a time is no number, or a capture is not in the data set.
    """
    rows = _rows(path)
    found = []
    for number, row in enumerate(rows, start=2):
        where = f"{path}, line {number}" if path.suffix.lower() == ".csv" else f"{path}, row {number - 1}"
        for name in ("capture", "channel", "time_s"):
            if row.get(name) in (None, ""):
                raise SettingsError(f"{where}: no {name}; a proposal has the columns capture, channel, time_s")
        if not store.has(str(row["capture"])):
            raise SettingsError(f"{where}: the data set has no capture {row['capture']!r}; names are relative to its "
                                "folder captures/")  # fmt: skip
        time_s = _number(row["time_s"])
        if not math.isfinite(time_s):
            raise SettingsError(f"{where}: time_s is {row['time_s']!r}, expected seconds")
        probability = _number(row.get("condition_probability"))
        uncertain = probability < UNCERTAIN or row.get("condition") == "unknown"
        shown = {name: row[name] for name in SHOWN if row.get(name) not in (None, "")}
        found.append(FiringTime(str(row["capture"]), str(row["channel"]), time_s, uncertain, shown))
    return found


def distinct_firing_times(proposed: Iterable[FiringTime]) -> list[FiringTime]:
    """Return every proposed place once, in the order given.

    Examples
    --------
    >>> [one.time_s for one in distinct_firing_times([FiringTime("a", "1", t) for t in (0.5, 0.1, 0.5003)])]
    [0.5, 0.1]
    """
    there: dict[tuple[str, str], list[float]] = {}
    kept = []
    for one in proposed:
        times = there.setdefault((one.capture, one.channel), [])
        if all(abs(one.time_s - other) > SAME_FIRING_S for other in times):
            times.append(one.time_s)
            kept.append(one)
    return kept


def merge_firing_times(proposed: Iterable[FiringTime], journals: Iterable[LabelJournal]) -> list[FiringTime]:
    """Return every place once, in order of capture, channel and time; a label adds one that was not proposed.

    Labels of origin ``truth`` are left out.
    """
    from_labels = [
        FiringTime(one.capture, one.channel, one.time_s)
        for journal in journals
        for one in journal.firings()
        if one.origin != "truth"
    ]
    places = distinct_firing_times((*sorted(proposed, key=lambda at: at.time_s), *from_labels))
    return sorted(places, key=lambda at: (at.capture, at.channel, at.time_s))


def _rows(path: Path) -> list[dict[str, Any]]:
    try:
        if path.suffix.lower() == ".parquet":
            from pyarrow import parquet

            return parquet.read_table(path).to_pylist()
        import csv

        with open(path, newline="", encoding="utf-8-sig") as stream:
            return list(csv.DictReader(stream))
    except (ValueError, OSError) as fault:
        raise SettingsError(f"{path}: cannot be read as a table of proposals: {fault}") from fault


def _number(value: Any) -> float:
    try:
        return float(value)
    except (TypeError, ValueError):
        return math.nan
