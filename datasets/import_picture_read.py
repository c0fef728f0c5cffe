"""Turn readings of the pictures of ``datasets/picture-read`` into labels, and compare them with themselves and truth.

Run from the project's folder: ``python datasets/import_picture_read.py READINGS KEY``. READINGS is the folder with
``lot-1.csv`` to ``lot-4.csv`` (columns task, state, breakdown_ms, burn_end_ms, certainty, remark), KEY the JSON that
``datasets/render_picture_read.py`` wrote. Labels made before by this command are replaced. Written: labels, the
readings as they came (``readings/``), card and metadata of the data set, and in ``benchmarks/results/picture-read`` the
report of agreement and the difference to truth.
"""

from __future__ import annotations

import argparse
import csv
import json
import shutil
import sys
import tempfile
from collections import Counter
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from make_picture_read import HOME, READERS
from render_picture_read import session_of

from sigkit.corpus.dataset import Dataset
from sigkit.corpus.dataset_card import write_card
from sigkit.corpus.describe import statement_of, write_description
from sigkit.corpus.description import own_part
from sigkit.corpus.label_record import LabelError
from sigkit.corpus.label_table import label_rows
from sigkit.corpus.write_agreement import write_agreement
from sigkit.label.save_readings import save_readings
from sigkit.provenance import seed_from
from sigkit.score.limits_of_agreement import repeated_limits_of_agreement
from sigkit.score.plain import plain

RESULTS = HOME.parent.parent / "benchmarks" / "results" / "picture-read"
COLUMNS = ("task", "state", "breakdown_ms", "burn_end_ms", "certainty", "remark")
ANSWERS = {"spark": "measured", "no_spark": "no_spark", "cut": "cut", "not_measurable": "not_measurable"}
#: What readers were asked to read to: a quarter of a small division of the pictures.
RESOLUTION_MS = 0.005
#: A label and a true firing of one channel belong together within this (no coil fires twice within it).
SAME_FIRING_S = 2e-3
WHO = (
    " Read on 2026-11-25 by the project's developers: automated assistants, each looking at rendered pictures of the "
    "page (`datasets/render_picture_read.py`, 0.02 ms a small division) and writing down what it saw, by the words of "
    "`datasets/picture_read_instructions.md`, blind. r01 to r04 are four runs of one kind of reader; each firing was "
    "read by one of them, twice (flipped or shifted, well apart). So the set shows repeatability only: nothing is "
    "claimed on reproducibility, nor on how people read. All four said afterwards that they worked times out in the "
    "head from positions against the axis labels, and that second presentations were often plain as such (earlier "
    "answers were not changed, but some later ones were settled to match): the true repeatability is likely worse "
    "than what the pairs show. Readings as they came: `readings/`."
)


def read_lot(path: Path, tasks: dict[str, str]) -> tuple[dict[str, dict[str, str]], list[str]]:
    """Return one lot's usable readings by task, as rows for `save_readings`, and what is wrong with the others."""
    found: dict[str, dict[str, str]] = {}
    wrong: list[str] = []
    with open(path, newline="", encoding="utf-8-sig") as stream:
        lines = [line for line in stream if line.strip() and not line.startswith(("#", "```"))]
    table = csv.reader(lines, skipinitialspace=True)
    head = [name.strip() for name in next(table, [])]
    if tuple(head) != COLUMNS:
        raise LabelError(f"{path}: the first line is {','.join(head)!r}, expected {','.join(COLUMNS)}")
    for cells in table:
        given = [cell.strip() for cell in cells]
        # A remark with commas in it is put together again.
        given = [*given[:5], ", ".join(given[5:])]
        task = given[0].removesuffix(".png")
        row, fault = _checked(dict(zip(COLUMNS, given, strict=False)))
        if task not in tasks:
            fault = "is not of this lot"
        elif task in found:
            fault = "comes twice; the first answer counts"
        if fault:
            wrong.append(f"{path.name}: {task}: {fault}")
        else:
            found[task] = row | {"item": tasks[task]}
    wrong += [f"{path.name}: {task}: no usable answer" for task in tasks if task not in found]
    return found, wrong


def _checked(given: dict[str, str]) -> tuple[dict[str, str], str]:
    state, ends = given.get("state", ""), [given.get("breakdown_ms", ""), given.get("burn_end_ms", "")]
    if state not in ANSWERS:
        return {}, f"state {state!r}"
    if given.get("certainty") not in ("sure", "unsure"):
        return {}, f"certainty {given.get('certainty')!r}"
    if state in ("no_spark", "not_measurable"):
        ends = ["", ""]
    try:
        times = [float(end) for end in ends if end]
    except ValueError:
        return {}, f"times {ends}"
    if (state == "spark" and len(times) < 2) or (state == "cut" and len(times) > 1 and times[1] < times[0]):
        return {}, "a spark needs both instants, in order"
    if len(times) == 2 and times[1] < times[0]:
        return {}, "burn_end lies before breakdown"
    return {"answer": ANSWERS[state], "begin_ms": ends[0], "end_ms": ends[1], "certainty": given["certainty"],
            "resolution_ms": str(RESOLUTION_MS), "remark": given.get("remark", "")}, ""  # fmt: skip


def save_lots(readings: Path, key: dict[str, dict[str, Any]], home: Path) -> list[str]:
    """Write the labels of all lots; return what could not be used."""
    wrong: list[str] = []
    (home / "readings").mkdir(exist_ok=True)
    for lot, reader in enumerate(READERS, start=1):
        (home / "labels" / f"{reader}.jsonl").unlink(missing_ok=True)
        path = readings / f"lot-{lot}.csv"
        tasks = {name: one["item"] for name, one in key.items() if one["reader"] == reader}
        if not path.is_file():
            wrong.append(f"{path.name}: is not there ({len(tasks)} pictures)")
            continue
        rows, faults = read_lot(path, tasks)
        wrong += faults
        session = session_of(reader, home, home)
        with tempfile.TemporaryDirectory() as work:
            # One at a time, so that one that cannot be right does not keep the others out.
            for task, row in rows.items():
                single = Path(work) / "reading.csv"
                with open(single, "w", newline="", encoding="utf-8") as stream:
                    writer = csv.DictWriter(stream, list(row))
                    writer.writeheader()
                    writer.writerow(row)
                try:
                    save_readings(session, single)
                except LabelError as fault:
                    wrong.append(f"{path.name}: {task}: {str(fault).rpartition(': ')[2]}")
        kept = home / "readings" / path.name
        if kept.resolve() != path.resolve():
            shutil.copyfile(path, kept)
    (home / "readings" / "key.json").write_text(json.dumps(key, indent=1) + "\n", encoding="utf-8")
    return wrong


def against_truth(opened: Dataset) -> dict[str, Any]:
    """Return how readings differ from truth: state by state, and instants of firings that both call a whole spark."""
    truth = opened.truth()
    assert truth is not None
    by_channel: dict[tuple[str, str], list[dict[str, Any]]] = {}
    for row in truth.to_pylist():
        by_channel.setdefault((row["capture"], row["channel"]), []).append(row)
    states: Counter[tuple[str, str]] = Counter()
    pairs = []
    for label in label_rows(opened):
        there = by_channel.get((label["capture"], label["channel"]), [])
        true = min(there, key=lambda row: abs(row["time_s"] - label["time_s"]), default=None)
        if true is None or abs(true["time_s"] - label["time_s"]) > SAME_FIRING_S:
            states["no firing", label["answer"]] += 1
            continue
        record = (opened.extents(true["capture"]) or {})[true["channel"]]
        # The truth's own column also calls a record cut that lacks the switching-on only.
        shows = all(record.start_s <= true[name] <= record.stop_s for name in ("breakdown_s", "burn_end_s"))
        whole = "no_spark" if true["sparked"] == "no" else "spark" if shows else "cut"
        states[whole, label["answer"]] += 1
        if whole == "spark" and label["answer"] == "measured":
            pairs.append((label, true))
    groups = {
        "all": lambda label, true: True,
        "sharp end": lambda label, true: not true["soft_end"],
        "soft end": lambda label, true: true["soft_end"],
        "below 200 kS/s": lambda label, true: true["sample_rate_Hz"] < 200e3,
        "200 kS/s and above": lambda label, true: true["sample_rate_Hz"] >= 200e3,
        "sure": lambda label, true: label["certainty"] == "sure",
        "unsure": lambda label, true: label["certainty"] != "sure",
        **{reader: (lambda label, true, reader=reader: label["reader"] == reader) for reader in opened.readers},
    }
    seed = seed_from("against truth", opened.dataset_hash)
    timing = {}
    for quantity in ("burn_time_ms", "breakdown_ms", "burn_end_ms"):
        timing[quantity] = {}
        for name, belongs in groups.items():
            chosen = [pair for pair in pairs if belongs(*pair)]
            timing[quantity][name] = _difference(quantity, chosen, np.random.default_rng([seed % 2**32, 1]))
    return {"data_set": opened.name, "dataset_hash": opened.dataset_hash, "seed": seed, "unit": "ms",
            "states": {f"{true} read as {read}": many for (true, read), many in sorted(states.items())},
            "timing": timing}  # fmt: skip


def _difference(
    quantity: str, pairs: list[tuple[dict[str, Any], dict[str, Any]]], rng: np.random.Generator
) -> dict[str, Any]:
    if len(pairs) < 2:
        return {"readings": len(pairs)}
    name, factor = (quantity, 1.0) if quantity == "burn_time_ms" else (quantity.removesuffix("_ms") + "_s", 1e3)
    read = factor * np.array([label[name] for label, _ in pairs])
    true = factor * np.array([row[name] for _, row in pairs])
    error = read - true
    limits = repeated_limits_of_agreement(read, true, [label["engine"] for label, _ in pairs], rng)
    return {
        "readings": len(pairs), "bias": plain(limits.bias), "lower": plain(limits.lower), "upper": plain(limits.upper),
        "median": float(np.median(error)), "median_absolute": float(np.median(np.abs(error))),
        "p95_absolute": float(np.percentile(np.abs(error), 95)),
        "share_within": {f"{limit} ms": float(np.mean(np.abs(error) <= limit)) for limit in (0.025, 0.05, 0.1)},
    }  # fmt: skip


def truth_text(found: dict[str, Any], wrong: list[str]) -> str:
    """Return the difference to truth as Markdown."""
    lines = ["# Picture readings and truth", "", f"Content {found['dataset_hash'][:12]}. Read minus true, ms; every "
             "reading counts (each firing was read twice). Limits: 95 % limits of agreement (Bland and Altman), "
             "bootstrap over engines. True instants are the physical ones: a slow recorder shows them later, so a bias "
             "of breakdown and burn end alike is the recorder's.", "", "## States", "", "| true, read | readings |",
             "|---|---|"]  # fmt: skip
    lines += [f"| {name} | {many} |" for name, many in found["states"].items()]
    for quantity, groups in found["timing"].items():
        lines += ["", f"## {quantity}", "", "| | readings | bias (95 %) | limits | median abs. | 95 % abs. | within "
                  "0.025 / 0.05 / 0.1 |", "|---|---|---|---|---|---|---|"]  # fmt: skip
        for name, one in groups.items():
            if "bias" not in one:
                lines.append(f"| {name} | {one['readings']} | – | – | – | – | – |")
                continue
            bias = one["bias"]
            spread = "–" if bias["low"] is None else f"{bias['low']:+.4f} to {bias['high']:+.4f}"
            shares = " / ".join(f"{100 * share:.0f} %" for share in one["share_within"].values())
            limits = f"{one['lower']['value']:+.3f} to {one['upper']['value']:+.3f}"
            lines.append(f"| {name} | {one['readings']} | {bias['value']:+.4f} ({spread}) | {limits} | "
                         f"{one['median_absolute']:.4f} | {one['p95_absolute']:.4f} | {shares} |")  # fmt: skip
    lines += ["", "## Readings that could not be used", "", *([f"- {one}" for one in wrong] or ["None."]), ""]
    return "\n".join(lines)


def main(arguments: list[str]) -> None:
    """Import, describe, compare."""
    parser = argparse.ArgumentParser(description="Readings of pictures become labels of datasets/picture-read.")
    parser.add_argument("readings", type=Path, help="folder with lot-1.csv to lot-4.csv")
    parser.add_argument("key", type=Path, help="key.json of the pictures")
    parser.add_argument("--set", type=Path, default=HOME, help="the data set, by default datasets/picture-read")
    parser.add_argument("--results", type=Path, default=RESULTS, help="folder for the reports; replaced")
    given = parser.parse_args(arguments)
    wrong = save_lots(given.readings, json.loads(given.key.read_text(encoding="utf-8")), given.set)
    opened = Dataset.open(given.set)
    told = statement_of(own_part(opened.description)["statement"])
    write_description(given.set, replace(told, how_made=told.how_made.partition(WHO[:24])[0] + WHO))
    write_card(Dataset.open(given.set))
    opened = Dataset.open(given.set)
    shutil.rmtree(given.results, ignore_errors=True)
    lines = write_agreement(opened, given.results)
    found = against_truth(opened)
    text = truth_text(found, wrong)
    (given.results / "against-truth.md").write_text(text, encoding="utf-8")
    (given.results / "against-truth.json").write_text(
        json.dumps(found | {"not_usable": wrong}, indent=1, allow_nan=False) + "\n", encoding="utf-8")  # fmt: skip
    sys.stdout.write("\n".join([*lines, "", text]))


if __name__ == "__main__":
    main(sys.argv[1:])
