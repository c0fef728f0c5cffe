"""Labels as a flat table, one row a label, for export and for comparing readers."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Any

from sigkit.corpus.dataset import Dataset, recording_of
from sigkit.corpus.label_record import FiringLabel

#: Columns, in order. Instants in seconds on the capture's own axis; of several only the first discharge's are here.
LABEL_COLUMNS = (
    "reader", "origin", "capture", "channel", "engine", "split", "time_s", "answer", "sparked", "coil_on_s",
    "coil_off_s", "breakdown_s", "burn_end_s", "burn_time_ms", "conduction_intervals", "role", "polarity",
    "condition", "certainty", "resolution_s", "blind", "presentation", "flipped", "shifted_s", "label", "remark",
)  # fmt: skip


def label_rows(opened: Dataset, readers: Iterable[str] | None = None, *, remarks: bool = False) -> list[dict[str, Any]]:
    """Return the labels that hold now, in order of reader, capture, channel and time.

    Parameters
    ----------
    opened : Dataset
    readers : iterable of str, optional
        By default all.
    remarks : bool
        Keep the free texts.

    Returns
    -------
    list of dict
        Keys as `LABEL_COLUMNS`; NaN where a number is missing.
    """
    names, engines = opened.manifest["capture"].to_pylist(), opened.manifest["engine"].to_pylist()
    engine_of = dict(zip(names, engines, strict=True))
    rows = []
    for reader in opened.readers if readers is None else readers:
        found = sorted(opened.firing_labels(reader), key=lambda one: (one.capture, one.channel, one.time_s))
        for one in found:
            engine = engine_of[recording_of(one.capture)]
            rows.append(_row(one, engine, opened.splits.get(engine, ""), remarks))
    return rows


def _row(one: FiringLabel, engine: str, split: str, remarks: bool) -> dict[str, Any]:
    instants = {f"{name}_s": one.instant(name)[0] for name in ("coil_on", "coil_off", "breakdown", "burn_end")}
    return {
        "reader": one.reader, "origin": one.origin, "capture": one.capture, "channel": one.channel, "engine": engine,
        "split": split, "time_s": one.time_s, "answer": one.answer, "sparked": one.sparked, **instants,
        "burn_time_ms": math.nan if one.burn_ms is None else one.burn_ms,
        "conduction_intervals": len(one.intervals), "role": one.role, "polarity": one.polarity,
        "condition": one.condition, "certainty": one.certainty,
        "resolution_s": math.nan if one.resolution_s is None else one.resolution_s, "blind": one.blind,
        "presentation": one.presentation, "flipped": one.flipped, "shifted_s": one.shifted_s, "label": one.label,
        "remark": one.remark if remarks else "",
    }  # fmt: skip
