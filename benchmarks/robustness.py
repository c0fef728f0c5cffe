"""Robustness sweeps: the built-in algorithms with one property of recorder or engine fixed at each of its values.

Run from the project's folder: ``python benchmarks/robustness.py --workers 2``. It writes ``robustness.md`` and
``robustness.json`` into ``benchmarks/results/``.
"""

from __future__ import annotations

import argparse
import json
import sys
import tomllib
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np
from first_table import without_nan
from first_table_lines import Line, make_lines
from first_table_rows import score_engines

from sigkit import provenance
from sigkit.jobs import TaskFailure, run_jobs

HERE = Path(__file__).resolve().parent
#: What the values mean, where the recipe's name does not say it.
WORDS = {
    "sample_rates_Hz": "sample rate, Hz", "bits": "bits", "engine_speed_rpm": "engine speed, 1/min",
    "nuisance": "noise, impulses, ripple, drift and crosstalk against the usual",
    "range_shares": "range: sensible, too small (clipping), too big", "severity": "severity of the faults drawn",
}  # fmt: skip
#: Columns of the table: start of the line's name, heading.
COLUMNS = (
    ("detection recall, secondary", "recall"), ("detection precision", "precision"),
    ("spark state right", "spark state"), ("burn time answered within", "burn time within 50 µs"),
    ("burn time from 0 kS/s: median", "median error, µs"), ("95 % interval of burn time", "95 % interval covers"),
    ("condition: macro-F1 of the best", "condition macro-F1"),
)  # fmt: skip


def main() -> int:
    """Run all sweeps and write the tables."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--protocol", type=Path, default=HERE / "protocols" / "robustness.toml")
    parser.add_argument("--out", type=Path, default=HERE / "results")
    parser.add_argument("--workers", type=int, default=0)
    options = parser.parse_args()
    protocol = tomllib.loads(options.protocol.read_text(encoding="utf-8"))
    seed = provenance.study_seed(options.protocol)
    common = {name: _tuple(value) for name, value in protocol["recipe"].items()}
    tolerance_s = protocol["matching"]["tolerance_ms"] * 1e-3
    points = [(name, value) for name, values in protocol["sweep"].items() for value in values]
    tasks = [
        ({**common, "engines": protocol["engines_a_value"], name: _tuple(value)}, tolerance_s, seed, number)
        for number, (name, value) in enumerate(points)
    ]
    found = run_jobs(score_engines, tasks, options.workers, progress="simulating", describe=lambda task: str(task[3]))
    results = []
    for (name, value), rows in zip(points, found, strict=True):
        if isinstance(rows, TaskFailure):
            raise rows.error
        lines = [one for one in make_lines(rows, protocol, np.random.default_rng([seed, 1])) if one.part == "all"]
        results.append({"property": name, "value": value, "lines": [asdict(one) for one in lines]})
    about = {"protocol_sha256": provenance.file_hash(options.protocol), "sigkit_tree": provenance.tree_hash(),
             "uncommitted_changes": provenance.has_uncommitted_changes(), "seed": seed,
             "engines_a_value": protocol["engines_a_value"], "versions": provenance.versions()}  # fmt: skip
    text = json.dumps(without_nan({"about": about, "points": results}), indent=1, ensure_ascii=False, allow_nan=False)
    (options.out / "robustness.json").write_text(text + "\n", encoding="utf-8")
    (options.out / "robustness.md").write_text(as_markdown(about, results), encoding="utf-8")
    sys.stdout.write(f"{options.out / 'robustness.md'}: {len(points)} points\n")
    return 0


def as_markdown(about: dict[str, Any], results: list[dict[str, Any]]) -> str:
    """Return one table a property."""
    rows = [
        "# Robustness",
        "",
        f"Built-in algorithms on simulated engines, {about['engines_a_value']} a value, seed {about['seed']} from the "
        f"committed tree ({about['sigkit_tree']}). In brackets: 95 % interval by bootstrap over engines; with so few "
        "engines they are wide. Nothing here is a claim about the field.",
    ]
    for name in dict.fromkeys(one["property"] for one in results):
        rows += ["", f"## {WORDS.get(name, name)}", "", f"| value | {' | '.join(head for _, head in COLUMNS)} |",
                 "|---" * (len(COLUMNS) + 1) + "|"]  # fmt: skip
        for one in results:
            if one["property"] == name:
                lines = [Line(**line) for line in one["lines"]]
                cells = [_cell(lines, start) for start, _ in COLUMNS]
                rows.append(f"| {_said(one['value'])} | {' | '.join(cells)} |")
    return "\n".join(rows) + "\n"


def _cell(lines: list[Line], start: str) -> str:
    one = next((line for line in lines if line.quantity.startswith(start)), None)
    return "–" if one is None else f"{one.value:.3g} ({one.low:.3g} to {one.high:.3g})"


def _said(value: Any) -> str:
    parts = value if isinstance(value, list) else [value]
    return " to ".join(f"{part:g}" for part in dict.fromkeys(parts)) if len(parts) < 3 else " : ".join(map(str, parts))


def _tuple(value: Any) -> Any:
    return tuple(value) if isinstance(value, list) else value


if __name__ == "__main__":
    raise SystemExit(main())
