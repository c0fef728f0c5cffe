"""Save instants that were read off pictures of the page: a table of readings becomes labels, through the same door."""

from __future__ import annotations

import csv
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from sigkit.corpus.label_journal import new_entry_id
from sigkit.corpus.label_record import LabelError
from sigkit.label.label_session import LabelSession

#: Columns of a table of readings; ``item`` and ``answer`` are needed.
COLUMNS = ("item", "answer", "begin_ms", "end_ms", "coil_on_ms", "coil_off_ms", "role", "polarity", "condition",
           "certainty", "resolution_ms", "remark")  # fmt: skip


def save_readings(session: LabelSession, path: Path) -> int:
    """Save a table of readings as labels of the session's reader; return how many firings were saved.

    Several rows of one item are its conduction intervals. Times are in milliseconds as the page's axis shows them,
    heights and polarity as shown; a repeat that was shown upside down is turned back here.

    Parameters
    ----------
    session : LabelSession
        With the seed, reader, proposals and repeat share the pictures were made with: items are known by these.
    path : Path
        CSV with `COLUMNS`.

    Raises
    ------
    LabelError
        When a row cannot be right; it names the line. Rows of items before it are saved already.
    """
    with open(path, newline="", encoding="utf-8-sig") as stream:
        reader = csv.DictReader(stream)
        unknown = sorted(set(reader.fieldnames or ()) - set(COLUMNS))
        if unknown or not {"item", "answer"} <= set(reader.fieldnames or ()):
            told = f"unknown column {unknown[0]!r}" if unknown else "no column item or answer"
            raise LabelError(f"{path}: {told}; known: {', '.join(COLUMNS)}")
        rows = [(number, {name: (text or "").strip() for name, text in row.items() if name is not None})
                for number, row in enumerate(reader, start=2)]  # fmt: skip
    by_item: dict[str, list[tuple[int, dict[str, str]]]] = {}
    for number, row in rows:
        by_item.setdefault(row["item"], []).append((number, row))
    for item, given in by_item.items():
        where = f"{path}, line {given[0][0]}"
        try:
            _save_item(session, item, given, where)
        except LabelError as fault:
            raise LabelError(f"{where}: {fault}") from fault
    return len(by_item)


def _save_item(session: LabelSession, item: str, given: list[tuple[int, dict[str, str]]], where: str) -> None:
    told = session.item(item)
    first = given[0][1]
    shown: dict[str, Any] = {
        "entry": new_entry_id(),
        "label": told["label"],
        "based_on": told["history"][-1]["entry"] if told["history"] else "",
        "answer": first["answer"],
        "intervals": [],
        "coil_on": [],
        "coil_off": [],
        "polarity": int(_number(first, "polarity", where) or 0),
    }
    for name in ("role", "condition", "certainty", "remark"):
        if first.get(name):
            shown[name] = first[name]
    for number, row in given:
        place = f"line {number}"
        pair = [_number(row, "begin_ms", place), _number(row, "end_ms", place)]
        if pair != [None, None]:
            shown["intervals"].append(pair)
        for name in ("coil_on", "coil_off"):
            if (at := _number(row, f"{name}_ms", place)) is not None:
                shown[name].append(at)
    resolution_ms = _number(first, "resolution_ms", where)
    sent: dict[str, Any] = {"item": item, "queue": "unlabelled", "firings": [shown]}
    if resolution_ms is not None:
        sent["resolution_s"] = resolution_ms / 1e3
    session.save(sent)


def _number(row: Mapping[str, str], name: str, where: str) -> float | None:
    text = row.get(name, "")
    if not text:
        return None
    try:
        return float(text)
    except ValueError as fault:
        raise LabelError(f"{where}: {name} is {text!r}, expected a number") from fault
