"""Write the report of agreement between readers and the queues of firings that want a second look."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from sigkit.capture.atomic_file import atomic_file
from sigkit.corpus.dataset import Dataset
from sigkit.corpus.reader_agreement import SAME_FIRING_S, gather_readings, reader_agreement
from sigkit.corpus.second_look import CONSENSUS_COLUMNS, SUSPECTED_COLUMNS, consensus_rows, suspected_rows
from sigkit.corpus.typed_csv import write_typed_csv
from sigkit.errors import DatasetError


def write_agreement(
    opened: Dataset, out: str | Path, readers: Sequence[str] = (), tolerance_ms: float = 0.1
) -> list[str]:
    """Write ``agreement.json``, ``agreement.md``, ``consensus.csv``, ``adjudicate.csv`` and ``suspected-*.csv``.

    Parameters
    ----------
    opened : Dataset
    out : path
        Folder; must not exist.
    readers : sequence of str
        By default all persons.
    tolerance_ms : float
        Range of burn times that needs no second look, ms.

    Returns
    -------
    list of str
        Lines for the terminal.

    Raises
    ------
    DatasetError
        When the folder is there, or nobody has labelled.
    """
    folder = Path(out)
    if folder.exists():
        raise DatasetError(str(folder), "is there already", "choose another folder")
    readings = gather_readings(opened, readers)
    found = reader_agreement(opened, readings)
    consensus = consensus_rows(readings, tolerance_ms)
    wanted = [row for row in consensus if row["adjudicate"] == "yes"]
    suspected: dict[str, Any] = {}
    for reader in found["readers"]:
        try:
            suspected[reader] = suspected_rows(opened, reader)
        except DatasetError as fault:
            suspected[reader] = f"suspected labels are not available: {fault.reason}"
    folder.mkdir(parents=True)
    found["second_look"] = {"firings": len(consensus), "to_adjudicate": len(wanted), "tolerance_ms": tolerance_ms}
    found["suspected"] = {reader: rows if isinstance(rows, str) else sum(row["suspected"] == "yes" for row in rows)
                          for reader, rows in suspected.items()}  # fmt: skip
    write_typed_csv(folder / "consensus.csv", CONSENSUS_COLUMNS, consensus)
    write_typed_csv(folder / "adjudicate.csv", CONSENSUS_COLUMNS, wanted)
    for reader, rows in suspected.items():
        if not isinstance(rows, str):
            write_typed_csv(folder / f"suspected-{reader}.csv", SUSPECTED_COLUMNS, rows)
    text = agreement_text(found)
    for name, content in (("agreement.json", json.dumps(found, indent=1, allow_nan=False) + "\n"),
                          ("agreement.md", text)):  # fmt: skip
        with atomic_file(folder / name) as temporary:
            temporary.write_text(content, encoding="utf-8")
    return [*text.splitlines(), "", f"{folder}: report, consensus, {len(wanted)} firings to adjudicate"]


def agreement_text(found: dict[str, Any]) -> str:
    """Return the report as Markdown: what was compared, every figure with its interval, what could not be had."""
    counts = found["counts"]
    lines = [f"# Agreement of readers on {found['data_set']}", ""]
    lines += [f"{counts['labels']} labels of {counts['firings']} firings on {counts['engines']} engines; content "
              f"{found['dataset_hash'][:12]}. Intervals: 95 %, bootstrap over engines; – where they cannot be had "
              "(fewer than two engines).", ""]  # fmt: skip
    lines += ["| reader | origin of the labels |", "|---|---|"]
    lines += [f"| {reader} | {', '.join(origins)} |" for reader, origins in found["readers"].items()]
    kinds = {tuple(origins) for origins in found["readers"].values()}
    if len(kinds) > 1:
        lines += ["", "Readers of different origins are compared: differences hold the way of reading as well."]
    if len(found["readers"]) < 2:
        lines += ["", "One reader only: repeatability can be shown, reproducibility cannot."]
    lines += ["", "## Timing, ms", "", "| quantity | repeatability | between readers | reproducibility |",
              "|---|---|---|---|"]  # fmt: skip
    for quantity, part in found["timing"].items():
        cells = [_shown(part["precision"][name]) for name in
                 ("repeatability", "between_readers", "reproducibility")]  # fmt: skip
        lines.append(f"| {quantity.removesuffix('_ms').replace('_', ' ')} | {' | '.join(cells)} |")
    lines += ["", "| quantity | pair | pairs | bias | lower limit | upper limit |", "|---|---|---|---|---|---|"]
    for quantity, part in found["timing"].items():
        for pair, limits in part["between"].items():
            cells = [_shown(limits[name]) for name in ("bias", "lower", "upper")]
            lines.append(f"| {quantity.removesuffix('_ms').replace('_', ' ')} | {pair} | {limits['pairs']} | "
                         f"{' | '.join(cells)} |")  # fmt: skip
    lines += ["", "## Burn time: gauge study and coefficients", "", *_burn_lines(found["timing"]["burn_time_ms"])]
    lines += ["", f"## Detection (firings paired within {SAME_FIRING_S * 1e3:g} ms)", ""]
    for pair, part in found["detection"].items():
        lines.append(f"- {pair}: {part['not_scored']}" if "not_scored" in part else
                     f"- {pair}: F1 {_shown(part['f1'])}; {part['pairs']} pairs of {part['firings_first']} and "
                     f"{part['firings_second']} firings on {part['captures']} captures")  # fmt: skip
    lines += ["- one reader: nothing to compare"] if not found["detection"] else []
    lines += ["", "## Condition and answer", ""]
    for word, part in found["conditions"].items():
        lines.append(f"- {word}: Krippendorff's alpha {_shown(part['alpha'])}")
        lines += [f"- {word}, {pair}: Cohen's kappa {_shown(kappa)}" for pair, kappa in part["cohen_kappa"].items()]
        if "fleiss_kappa" in part:
            lines.append(f"- {word}: Fleiss' kappa {_shown(part['fleiss_kappa'])}")
    look = found["second_look"]
    lines += ["", "## Second look", "", f"- {look['to_adjudicate']} of {look['firings']} firings to adjudicate "
              f"(adjudicate.csv): burn times more than {look['tolerance_ms']:g} ms apart, or conditions differ"]
    for reader, count in found["suspected"].items():
        lines.append(f"- {reader}: {count}" if isinstance(count, str) else
                     f"- {reader}: {count} conditions that a classifier of the other engines contradicts "
                     f"(suspected-{reader}.csv, most doubtful first)")  # fmt: skip
    return "\n".join([*lines, ""])


def _burn_lines(part: dict[str, Any]) -> list[str]:
    lines = []
    gauge = part["gauge"]
    if "not_available" in gauge:
        lines.append(f"- gauge study: {gauge['not_available']}")
    else:
        size = f"{gauge['items']} firings, {gauge['readers']} readers, {gauge['repeats']} repeats"
        lines.append(f"- gauge study of {size}: gauge {_shown(gauge['gauge'])} ms, "
                     f"share of the total spread {_shown(gauge['gauge_share'])}")  # fmt: skip
    icc = part["intraclass_correlation"]
    if "not_available" in icc:
        lines.append(f"- intraclass correlation: {icc['not_available']}")
    else:
        lines += [f"- {form}, {icc['items']} firings: {_shown(icc['by_engine'][form])}" for form in
                  ("ICC(2,1)", "ICC(3,1)")]  # fmt: skip
    return [*lines, f"- Krippendorff's alpha, interval scale: {_shown(part['alpha_interval'])}"]


def _shown(estimate: dict[str, Any]) -> str:
    if "not_available" in estimate:
        return str(estimate["not_available"])
    if estimate["value"] is None:
        return "–"
    if estimate["low"] is None:
        return f"{estimate['value']:.3g} (–)"
    return f"{estimate['value']:.3g} ({estimate['low']:.3g} to {estimate['high']:.3g})"
