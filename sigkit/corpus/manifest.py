"""The manifest of a data set: one line a capture file, its engine, its origin and its checksum."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from sigkit.capture.sidecar import IGNITION_TYPES
from sigkit.corpus.typed_csv import ColumnRule, check_rules, read_typed_csv
from sigkit.errors import DatasetError

FILE_NAME = "manifest.csv"
#: Where samples come from: a circuit simulation, a recorder on an engine, or a drawing.
CAPTURE_ORIGINS = ("simulated", "recorded", "drawn")

#: Every column known; a data set may declare more in its ``dataset.json``.
RULES: dict[str, ColumnRule] = {
    "capture": ColumnRule(required=True, meaning="file, relative to captures/, with ! before the member of a zip"),
    "engine": ColumnRule(required=True, meaning="engine recorded, an opaque word"),
    "cylinder": ColumnRule(meaning="cylinder of each channel in order, with | between, empty where not known"),
    "ignition_type": ColumnRule(allowed=IGNITION_TYPES, meaning="kind of ignition"),
    "channels": ColumnRule("count", meaning="channels of the file"),
    "origin": ColumnRule(required=True, allowed=CAPTURE_ORIGINS, meaning="where the samples come from"),
    "instrument": ColumnRule(meaning="kind of recorder in general words: bits and bandwidth, no maker, no serial"),
    "contributor": ColumnRule(meaning="opaque id of who contributed it, such as c01"),
    "licence": ColumnRule(meaning="SPDX name of the licence, where it differs from the data set's"),
    "note": ColumnRule(meaning="free text, shown for review before any export"),
    "sha256": ColumnRule(required=True, meaning="SHA-256 of the file (of the member for a file in a zip)"),
}
_OPAQUE = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]*")
_SHA256 = re.compile(r"[0-9a-f]{64}")


def manifest_rules(declared: Mapping[str, Any], source: str = "dataset.json") -> dict[str, ColumnRule]:
    """Return the rules of all columns: the known ones and those that the data set declares.

    Parameters
    ----------
    declared : mapping
        Name -> ``{"kind": "text" | "number" | "count", "meaning": "..."}``.

    Raises
    ------
    DatasetError
        When a declared number column has no unit in its name, or a kind is not known.
    """
    rules = dict(RULES)
    for name, told in declared.items():
        kind = told.get("kind") if isinstance(told, Mapping) else None
        if kind not in ("text", "number", "count"):
            raise DatasetError(source, f"the declared column {name!r} has kind {kind!r}",
                               "use text, number or count", "sigkit.columns")  # fmt: skip
        if name in RULES:
            raise DatasetError(source, f"the column {name!r} is known already", "do not declare it", "sigkit.columns")
        rules[name] = ColumnRule(str(kind), meaning=str(told.get("meaning", "")))
    check_rules(rules, source)
    return rules


def read_manifest(folder: str | Path, rules: Mapping[str, ColumnRule]) -> list[dict[str, Any]]:
    """Read and check ``manifest.csv``.

    Raises
    ------
    DatasetError
        Also for a capture listed twice, a name that leads out of the folder, an engine that is no plain word, and
        a checksum that is none.
    """
    if not (Path(folder) / FILE_NAME).is_file():
        raise DatasetError(str(folder), f"there is no {FILE_NAME}, so this is no data set",
                           "give the folder of a data set, or make one with sigkit dataset new")  # fmt: skip
    rows = read_typed_csv(Path(folder) / FILE_NAME, rules, FILE_NAME)
    seen: dict[str, int] = {}
    for row in rows:
        place, name = f"line {row['line']}", row["capture"]
        if name in seen:
            raise DatasetError(FILE_NAME, f"the capture {name!r} stands in line {seen[name]} already",
                               "delete one of the lines", place)  # fmt: skip
        seen[name] = row["line"]
        if name.startswith(("/", "\\")) or ":" in name or ".." in re.split(r"[/\\!]", name):
            raise DatasetError(FILE_NAME, f"the capture {name!r} leads out of captures/",
                               "write its path relative to captures/", place)  # fmt: skip
        if not _OPAQUE.fullmatch(row["engine"]):
            raise DatasetError(FILE_NAME, f"the engine {row['engine']!r} is no plain word",
                               "use letters, digits, - and _, and nothing that tells a person, a place or a plate",
                               f"{place}, column engine")  # fmt: skip
        if not _SHA256.fullmatch(row["sha256"]):
            raise DatasetError(FILE_NAME, f"{row['sha256']!r} is no SHA-256 (64 lower-case hexadecimal digits)",
                               "run sigkit dataset import, or compute it with sha256sum",
                               f"{place}, column sha256")  # fmt: skip
    return rows


def manifest_columns(rows: Sequence[Mapping[str, Any]], rules: Mapping[str, ColumnRule]) -> list[str]:
    """Return the columns to write: the required ones and every one that is filled somewhere, in order."""
    return [column for column, rule in rules.items()
            if rule.required or any(row.get(column) not in (None, "") for row in rows)]  # fmt: skip
