"""The metadata file of a data set, ``dataset.json``: read, and what it says of sigkit's own rules."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from sigkit.errors import DatasetError
from sigkit.provenance import file_hash

FILE_NAME = "dataset.json"


def read_description(folder: str | Path) -> dict[str, Any]:
    """Read ``dataset.json``; ``{}`` when there is none yet.

    Raises
    ------
    DatasetError
        When it is no JSON object.
    """
    path = Path(folder) / FILE_NAME
    if not path.exists():
        return {}
    try:
        told = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as fault:
        raise DatasetError(FILE_NAME, f"cannot be read as JSON: {fault}",
                           "correct it, or delete it and run sigkit dataset card") from fault  # fmt: skip
    if not isinstance(told, dict) or not isinstance(told.get("sigkit", {}), dict):
        raise DatasetError(FILE_NAME, "is no JSON object with an object under sigkit", "run sigkit dataset card")
    own = told.get("sigkit", {})
    parts = [(own, part) for part in ("columns", "origins", "statement", "splits")]
    for holder, part in (*parts, (own.get("origins") if isinstance(own.get("origins"), dict) else {}, "labels")):
        if not isinstance(holder.get(part, {}), dict):
            raise DatasetError(FILE_NAME, f"{part} is no JSON object", "correct it as the guide to data sets shows",
                               "sigkit")  # fmt: skip
    return told


def own_part(told: Mapping[str, Any]) -> dict[str, Any]:
    """Return what the metadata says under ``sigkit``: declared columns, mixed origins, seeds, versions."""
    return dict(told.get("sigkit") or {})


def check_listed_files(folder: str | Path, told: Mapping[str, Any]) -> None:
    """Compare every file that the metadata lists with its checksum.

    Raises
    ------
    DatasetError
        When a listed file is missing or differs.
    """
    for entry in told.get("distribution") or []:
        if not isinstance(entry, dict) or "sha256" not in entry:
            continue
        name = str(entry.get("contentUrl", ""))
        path = Path(folder) / name
        if "://" in name:
            continue
        if Path(name).is_absolute() or ".." in Path(name).parts:
            raise DatasetError(FILE_NAME, f"lists {name!r}, which leads out of the data set",
                               "list files of the data set only", "distribution")  # fmt: skip
        if not path.is_file():
            raise DatasetError(FILE_NAME, f"lists {name}, which is not there", "bring the file back", "distribution")
        found = file_hash(path)
        if found != entry["sha256"]:
            raise DatasetError(name, f"its checksum differs from the one in {FILE_NAME}: expected "
                               f"{entry['sha256'][:12]}…, found {found[:12]}…",
                               "bring back the file as published, or run sigkit dataset card if it was changed on "
                               "purpose")  # fmt: skip


def check_origins(what: str, found: Iterable[str], declared: object, source: str) -> None:
    """Refuse origins that mix without saying so.

    Parameters
    ----------
    what : str
        For the message, such as ``"captures"``.
    found : iterable of str
        Origins that occur.
    declared : object
        What the metadata says of them: a list of origins, or None.
    source : str
        File for the message.

    Raises
    ------
    DatasetError

    Examples
    --------
    >>> check_origins("captures", ["recorded", "recorded"], None, "manifest.csv")
    >>> check_origins("captures", ["recorded", "simulated"], ["recorded", "simulated"], "manifest.csv")
    """
    kinds = sorted(set(found))
    if len(kinds) < 2:
        return
    said = sorted(map(str, declared)) if isinstance(declared, list) else []
    if said != kinds:
        raise DatasetError(source, f"the {what} are of different origins ({', '.join(kinds)}) and {FILE_NAME} does not "
                           "say so", "keep them in data sets of their own, or run sigkit dataset card with "
                           "--mixed-origins")  # fmt: skip
