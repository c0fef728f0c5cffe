"""Make the first table: the built-in algorithms on fresh simulated firings of the whole instrument range.

Run from the project's folder: ``python benchmarks/first_table.py --workers 2``; for a quick look
``python benchmarks/first_table.py --firings 300 --out look``. With ``--parts FOLDER`` finished
tasks are kept, and a run that was stopped goes on from there.

The captures live in memory only. The seed comes from the committed sigkit/ tree and the protocol.
"""

from __future__ import annotations

import argparse
import math
import sys
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np
from first_table_lines import Line, confusion_of_best, make_lines
from first_table_rows import score_engines
from first_table_strata import coverage_by_stratum, strata_markdown
from study_files import about_study, read_study, write_study

from sigkit import provenance
from sigkit.classify.model_store import load_default_model
from sigkit.jobs import TaskFailure, stream_jobs
from sigkit.types.firing_table import CONDITIONS

#: First guess of the firings of a task of 12 engines; only sets the size of the first round.
FIRINGS_A_TASK = 220
HERE = Path(__file__).resolve().parent


def main() -> int:
    """Run the study and write ``first_table.json`` and ``first_table.md``."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--protocol", type=Path, default=HERE / "protocols" / "first_table.toml")
    parser.add_argument("--out", type=Path, default=HERE / "results", help="folder of the two result files")
    parser.add_argument("--firings", type=int, help="fewer firings than the protocol asks for: a look, no result")
    parser.add_argument("--workers", type=int, default=0, help="processes; 0 is one a core")
    parser.add_argument("--parts", type=Path, help="folder that keeps finished tasks")
    options = parser.parse_args()

    protocol = read_study(options.protocol, "first_table")
    wanted = options.firings or protocol["firings"]
    model = load_default_model()
    about = about_study(
        options.protocol, provenance.study_seed(options.protocol), model=model.identifier if model else "none",
        model_hash=model.content_hash if model else "", firings_wanted=wanted, complete=wanted >= protocol["firings"],
    )  # fmt: skip
    rows = collect(protocol, about, wanted, options.workers, options.parts)
    about["firings"] = int(asked(rows))
    about["engines"] = len(np.unique(rows["engine"]))
    lines = make_lines(rows, protocol, np.random.default_rng([about["seed"], 1]))
    result = {
        "about": about,
        "lines": [asdict(line) for line in lines],
        "strata": coverage_by_stratum(rows, protocol["strata"], np.random.default_rng([about["seed"], 2])),
        "strata_settings": protocol["strata"],
        "conditions": list(CONDITIONS),
        "confusion_of_best_guess": confusion_of_best(rows) if model else [],
    }
    write_study(options.out, "first_table", result, as_markdown(result, lines))
    sys.stdout.write(f"{options.out / 'first_table.md'}: {about['firings']} firings, {about['engines']} engines\n")
    return 0


def collect(
    protocol: dict[str, Any], about: dict[str, Any], wanted: int, workers: int, parts: Path | None
) -> dict[str, np.ndarray]:
    """Return the rows of as many tasks, in order, as it takes to have the firings wanted."""
    recipe = {"engines": protocol["engines_a_task"]}
    recipe |= {name: tuple(v) if isinstance(v, list) else v for name, v in protocol["recipe"].items()}
    tolerance_s = protocol["matching"]["tolerance_ms"] * 1e-3
    keep = None
    if parts is not None:
        key = provenance.seed_from(about["seed"], about["model_hash"], str(about["uncommitted_changes"]))
        keep = parts / f"{key:016x}"
        keep.mkdir(parents=True, exist_ok=True)
    kept = sorted(keep.glob("*.npz")) if keep else []
    collected: list[dict[str, np.ndarray]] = []
    total = 0
    for path in kept:
        if total >= wanted or path.stem != f"{len(collected):05d}":
            break
        with np.load(path, allow_pickle=False) as stored:
            collected.append({name: stored[name] for name in stored.files})
        total += asked(collected[-1])
    while total < wanted:
        # Rounds of about as many tasks as are lacking; only the first that suffice count, so neither
        # the rounds nor the workers change the result.
        a_task = total / len(collected) if collected else FIRINGS_A_TASK
        first = len(collected)
        numbers = range(first, first + max(1, math.ceil((wanted - total) / max(a_task, 1.0))))
        tasks = [(recipe, tolerance_s, about["seed"], number) for number in numbers]
        for part in stream_jobs(score_engines, tasks, workers, progress="simulating", describe=_describe):
            if isinstance(part, TaskFailure):
                sys.stderr.write(part.details)
                raise SystemExit(f"first_table: {part}")
            if keep is not None:
                np.savez_compressed(keep / f"{len(collected):05d}.npz", **part)
            collected.append(part)
            total += asked(part)
    sufficient = int(np.searchsorted(np.cumsum([asked(part) for part in collected]), wanted)) + 1
    collected = collected[:sufficient]
    return {name: np.concatenate([part[name] for part in collected]) for name in collected[0]}


def _describe(task: tuple[dict[str, Any], float, int, int]) -> str:
    return f"task {task[3]}"


def asked(rows: dict[str, np.ndarray]) -> int:
    """Return the number of firings of secondary leads whose switching-off is on the record."""
    return int((~rows["spurious"] & rows["on_record"] & (rows["kind"] == "secondary_voltage")).sum())


def as_markdown(result: dict[str, Any], lines: list[Line]) -> str:
    """Return the table as text."""
    about = result["about"]
    warnings = []
    if not about["complete"]:
        warnings.append("**A look, not a result: fewer firings than the protocol asks for.**")
    if about["uncommitted_changes"]:
        warnings.append("**Made with changes that are not committed: not a result.**")
    text = [
        "# First table",
        *warnings,
        f"{about['firings']} simulated firings of secondary leads on {about['engines']} engines that no training step "
        f"has seen. Seed {about['seed']}, drawn from the committed tree ({about['sigkit_tree']}) and the protocol "
        f"`{about['protocol']}`. Model: {about['model']}.",
        "Simulated is not recorded: nothing here is a claim about the field.",
        "Counted: firings (for polarity: leads) the line speaks of. Answered: share of them with any answer; an "
        "unanswered measurable firing is a failure of every share. In brackets: 95 % interval by bootstrap over "
        "engines. Errors are of the answered. The truth is the physical instant; pickup and recorder delay what is "
        "seen, which cancels in the burn time but not in a single instant.",
    ]
    part = ""
    for line in lines:
        if line.part != part:
            part = line.part
            text.append(f"## {part}\n\n| quantity | value | 95 % interval | unit | counted | answered | engines |\n"
                        "|---|---|---|---|---|---|---|")  # fmt: skip
        answered = "" if np.isnan(line.answered_share) else f"{line.answered_share:.4f}"
        text[-1] += (
            f"\n| {line.quantity} | {number(line.value)} | {number(line.low)} to {number(line.high)} | {line.unit} "
            f"| {line.counted} | {answered} | {line.engines} |"
        )
    text.append(strata_markdown(result["strata"], result["strata_settings"]))
    if result["confusion_of_best_guess"]:
        names = [name.replace("_", " ") for name in CONDITIONS]
        table = ["## Best guess (columns) by true condition (rows)\n", f"| | {' | '.join([*names, 'not judged'])} |",
                 "|---" * (len(names) + 2) + "|"]  # fmt: skip
        for name, counts in zip(names, result["confusion_of_best_guess"]):
            table.append(f"| {name} | {' | '.join(map(str, counts))} |")
        text.append("\n".join(table))
    return "\n\n".join(text) + "\n"


def number(value: float) -> str:
    """Return four significant digits, or a dash for nothing."""
    return "–" if np.isnan(value) else f"{value:.4g}"


if __name__ == "__main__":
    sys.exit(main())
