"""Write ``CARD.md``: what a data set is, counted from its files."""

from __future__ import annotations

from collections import Counter
from dataclasses import asdict
from pathlib import Path
from typing import Any

from sigkit.capture.atomic_file import atomic_file
from sigkit.corpus.dataset import Dataset
from sigkit.corpus.describe import statement_of
from sigkit.corpus.description import own_part
from sigkit.corpus.label_record import CaptureMark, FiringLabel
from sigkit.errors import DatasetError

FILE_NAME = "CARD.md"
#: What no data set of this layout is good for.
NOT_FOR = (
    "deciding by itself that an engine, a boat or a vehicle is safe or sound",
    "finding out whose engine it is, where or when it was recorded",
)
#: Further words by origin of the captures.
NOT_FOR_ORIGIN = {
    "simulated": "claims about real engines, recorders or faults: its captures are simulated",
    "drawn": "claims about real engines, recorders or faults: its captures are drawn",
}


def dataset_card(opened: Dataset) -> str:
    """Return the card as Markdown.

    Raises
    ------
    DatasetError
        When the metadata does not say what the data set is.
    """
    own = own_part(opened.description)
    if not own.get("statement"):
        raise DatasetError("dataset.json", "does not say what the data set is", "run sigkit dataset card with "
                           "--description and --licence")  # fmt: skip
    told = asdict(statement_of(own["statement"]))
    origins = Counter(opened.manifest["origin"].to_pylist())
    lines = [f"# {opened.name}", ""]
    if told["invented"]:
        lines += ["**Invented.** Engines, boats and faults of this data set do not exist.", ""]
    lines += [told["description"], "", "## What is in it", ""]
    lines += ["| | count |", "|---|---|", f"| engines | {len(opened.engines)} |",
              f"| capture files | {opened.manifest.num_rows} |"]  # fmt: skip
    lines += [f"| capture files, {origin} | {count} |" for origin, count in sorted(origins.items())]
    lines += _split_lines(opened) + _truth_lines(opened)
    lines += ["", "## Labels", "", *_label_lines(opened)]
    if told["how_made"]:
        lines += ["", "## How it was made", "", told["how_made"]]
    if own.get("splits", {}).get("seed") is not None:
        lines += ["", f"Splits: whole engines, drawn once with seed {own['splits']['seed']}, frozen in `splits.csv`."]
    lines += ["", "## Licence", "", f"{told['licence']} (SPDX name), from {told['creator']}. "
              f"Version {told['version']}{', ' + told['published'] if told['published'] else ''}."]  # fmt: skip
    words = [*NOT_FOR, *(NOT_FOR_ORIGIN[origin] for origin in sorted(origins) if origin in NOT_FOR_ORIGIN)]
    words += [told["not_for"]] if told["not_for"] else []
    if opened.notes:
        lines += ["", "## To be known", "", *(f"- {note}" for note in opened.notes)]
    lines += ["", "## Must not be used for", "", *(f"- {word}" for word in words), ""]
    lines += ["Made by `sigkit dataset card` from the files; checksums of the captures: `manifest.csv`.", ""]
    return "\n".join(lines)


def write_card(opened: Dataset) -> Path:
    """Write the card into the data set and return where."""
    text = dataset_card(opened)
    path = opened.folder / FILE_NAME
    with atomic_file(path) as temporary:
        temporary.write_text(text, encoding="utf-8")
    return path


def _split_lines(opened: Dataset) -> list[str]:
    if not opened.splits:
        return ["| splits | not drawn yet |"]
    counts = Counter(opened.splits.values())
    return [f"| engines in {split} | {counts[split]} |" for split in ("train", "calibrate", "develop", "test")]


def _truth_lines(opened: Dataset) -> list[str]:
    truth = opened.truth()
    if truth is None:
        return ["| true firings | none: nothing but labels says where firings are |"]
    return [f"| true firings by channel (from the simulator) | {truth.num_rows} |"]


def _label_lines(opened: Dataset) -> list[str]:
    rows: list[list[Any]] = []
    for reader in opened.readers:
        records = opened.labels(reader)
        firings = [one for one in records if isinstance(one, FiringLabel)]
        marks = [one for one in records if isinstance(one, CaptureMark) and one.exhaustive]
        origins = ", ".join(sorted({one.origin for one in records})) or "none"
        blind = sum(one.blind for one in firings)
        again = sum(one.presentation > 0 for one in firings)
        rows.append([reader, origins, len(firings), blind, again, len(marks)])
    if not rows:
        return ["Nobody has labelled it yet."]
    lines = ["| reader | origin | firings | of them blind | repeats | captures labelled exhaustively |",
             "|---|---|---|---|---|---|"]  # fmt: skip
    return lines + ["| " + " | ".join(map(str, row)) + " |" for row in rows]
