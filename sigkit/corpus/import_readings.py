"""Hand readings made elsewhere become labels of origin ``imported``, with their resolution."""

from __future__ import annotations

import hashlib
import math
from dataclasses import replace
from pathlib import Path
from typing import Any

from sigkit import __version__
from sigkit.corpus.check_labels import check_labels
from sigkit.corpus.dataset import LABELS, Dataset
from sigkit.corpus.label_journal import LabelJournal, now_text
from sigkit.corpus.label_record import FiringLabel, LabelError, check_reader
from sigkit.corpus.typed_csv import ColumnRule, read_typed_csv
from sigkit.errors import DatasetError
from sigkit.types.firing_table import CONDITIONS, UNKNOWN

#: Columns of ``readings.csv``.
RULES: dict[str, ColumnRule] = {
    "file": ColumnRule(required=True, meaning="capture, as in manifest.csv (with #sweep-2 for a later sweep)"),
    "channel": ColumnRule(meaning="channel; may be empty where the capture has one"),
    "time_s": ColumnRule("number", required=True, meaning="where the firing is, on the capture's own time axis"),
    "cursor_1_s": ColumnRule("number", meaning="first cursor, at breakdown, on the same axis"),
    "cursor_2_s": ColumnRule("number", meaning="second cursor, at the end of the burn, on the same axis"),
    "burn_time_ms": ColumnRule("number", meaning="difference of the cursors, where positions are not known"),
    "resolution_ms": ColumnRule("number", required=True, meaning="smallest step of the reading"),
    "condition": ColumnRule(allowed=(*CONDITIONS, UNKNOWN), meaning="condition the reader saw"),
    "presentation": ColumnRule("count", meaning="0 for the first reading of a firing, 1, 2, ... for repeats"),
    "note": ColumnRule(meaning="free text, shown for review before any export"),
}


def import_readings(opened: Dataset, path: str | Path, reader: str, *, saved_at: str = "") -> int:
    """Add the readings of a CSV file to a reader's labels; all of them or none.

    The same file twice changes nothing. A corrected value for the same firing and presentation replaces the old one,
    which stays in the reader's file.

    Parameters
    ----------
    opened : Dataset
    path : path
        CSV with the columns of `RULES`: two cursors or a burn time, and the resolution.
    reader : str
        Opaque id such as r03.
    saved_at : str
        Time of saving, ISO 8601 with offset; now when not given.

    Returns
    -------
    int
        Readings in the file.

    Raises
    ------
    DatasetError
        Names file, line, what was expected and what to do.
    """
    try:
        check_reader(reader)
    except LabelError as fault:
        raise DatasetError("reader", str(fault), "use an opaque id such as r03") from fault
    name = Path(path).name
    rows = read_typed_csv(path, RULES, name)
    if not rows:
        raise DatasetError(name, "holds no reading", f"give one line a reading with {', '.join(RULES)}")
    labels = [_label(opened, row, reader, name, saved_at or now_text()) for row in rows]
    if reader in opened.readers:
        strange = {one.origin for one in opened.labels(reader)} - {"imported"}
        if strange:
            raise DatasetError(f"{LABELS}/{reader}.jsonl", f"holds labels of origin {', '.join(sorted(strange))}; "
                               "origins of one reader do not mix", "import under another reader id")  # fmt: skip
    check_labels(labels, opened.extents, None, name)
    journal = LabelJournal(opened.folder / LABELS, reader)
    known = {one.entry for one in journal.entries()}
    fresh: list[FiringLabel] = []
    for place, label in enumerate(labels):
        twice = next((k for k, other in enumerate(labels[:place]) if other.label == label.label), None)
        if twice is not None:
            raise DatasetError(name, f"reads the same firing as line {rows[twice]['line']}", "number repeated readings "
                               "in the column presentation: 0, 1, 2", f"line {rows[place]['line']}")  # fmt: skip
        if label.entry not in known:
            newest = journal.newest(label.label)
            fresh.append(replace(label, based_on=newest.entry) if newest else label)
    journal.append(fresh)
    return len(labels)


def _label(opened: Dataset, row: dict[str, Any], reader: str, source: str, saved_at: str) -> FiringLabel:
    place = f"line {row['line']}"
    channels = opened.extents(row["file"])
    if channels is None:
        raise DatasetError(source, f"there is no capture {row['file']!r}", "write it as manifest.csv does", place)
    channel = row.get("channel") or (next(iter(channels)) if len(channels) == 1 else "")
    if channel not in channels:
        raise DatasetError(source, f"the channel is {channel!r}, and {row['file']} has {', '.join(channels)}",
                           "fill in the column channel", place)  # fmt: skip
    first, second = row.get("cursor_1_s", math.nan), row.get("cursor_2_s", math.nan)
    burn_ms = row.get("burn_time_ms", math.nan)
    cursors = math.isfinite(first) and math.isfinite(second)
    if math.isfinite(first) != math.isfinite(second):
        raise DatasetError(source, "one cursor of two is given", "give both cursors, or a burn_time_ms", place)
    if cursors == math.isfinite(burn_ms):
        raise DatasetError(source, "two cursors and a burn_time_ms are given" if cursors else
                           "neither two cursors nor a burn_time_ms is given", "give one of the two", place)  # fmt: skip
    if cursors and second < first:
        raise DatasetError(source, f"the second cursor ({second} s) lies before the first ({first} s)",
                           "exchange them", place)  # fmt: skip
    if not row["resolution_ms"] > 0:
        raise DatasetError(source, f"resolution_ms is {row['resolution_ms']}", "give the smallest step of the reading, "
                           "above 0", place)  # fmt: skip
    told = {"time_s": row["time_s"], "intervals": ((first, second),) if cursors else (),
            "burn_time_ms": None if cursors else burn_ms, "condition": row.get("condition") or UNKNOWN,
            "resolution_s": row["resolution_ms"] / 1e3, "remark": row.get("note") or ""}  # fmt: skip
    presentation = row.get("presentation") or 0
    label = _digest(reader, row["file"], channel, repr(row["time_s"]), str(presentation))
    entry = _digest(label, *(repr(value) for value in told.values()))
    try:
        return FiringLabel(
            entry, label, reader, row["file"], channel, origin="imported", presentation=presentation,
            saved_at=saved_at, program=f"sigkit {__version__}", **told,
        )  # fmt: skip
    except LabelError as fault:
        raise DatasetError(source, str(fault), "correct the line", place) from fault


def _digest(*parts: str) -> str:
    return hashlib.sha256("\0".join(parts).encode()).hexdigest()[:32]
