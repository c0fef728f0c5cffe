"""Burn times against the picture-read set: every locator held against the readings and against the truth, side by side.

Run from the project's folder: ``python benchmarks/picture_read.py``. It writes ``picture_read.md`` and ``.json`` into
``benchmarks/results/``. Locators run in the benchmark's subprocess, with their own default settings, and see
captures only.
"""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from study_files import about_run

from sigkit import provenance, registry
from sigkit.bench.run_in_subprocess import run_in_subprocess
from sigkit.corpus.dataset import Dataset
from sigkit.errors import PluginError
from sigkit.score.error_summary import error_summary
from sigkit.score.excess_error import excess_error
from sigkit.score.plain import plain

HERE = Path(__file__).resolve().parent
#: An answer belongs to a reading when their switching-off or breakdown lie this near, seconds (our choice).
NEAR_S = 1e-3
LIMITS_MS = (0.010, 0.025, 0.050, 0.100)


def firings(dataset: Dataset) -> list[dict[str, Any]]:
    """Return the firings that have a reading of breakdown and end: mean reading, its repeats, and the truth."""
    found: dict[tuple[str, str, int], dict[str, Any]] = {}
    engines = dict(zip(dataset.manifest["capture"].to_pylist(), dataset.manifest["engine"].to_pylist(), strict=True))
    truth = dataset.truth()
    if truth is None:
        raise SystemExit("the set has lost its truth.parquet")
    rows = [row for row in truth.to_pylist() if row["on_record"] and not row["absent"]]
    for reader in dataset.readers:
        for label in dataset.firing_labels(reader):
            if label.breakdown_s is None or label.burn_end_s is None:
                continue
            own = [(abs(row["coil_off_s"] - label.breakdown_s), k) for k, row in enumerate(rows)
                   if row["capture"] == label.capture and row["channel"] == label.channel]  # fmt: skip
            distance, k = min(own, default=(1.0, -1))
            if distance < NEAR_S:
                one = found.setdefault((label.capture, label.channel, k), {"truth": rows[k], "readings": []})
                one["readings"].append((label.burn_end_s - label.breakdown_s) * 1e3)
                one["engine"] = engines[label.capture.split("#")[0]]
    return list(found.values())


def answers(name: str, dataset: Dataset, wanted: list[dict[str, Any]]) -> NDArray[np.float64]:
    """Return a locator's burn time of each firing, ms; NaN where it gives none."""
    table = run_in_subprocess(dataset, "test", "locators", name, {}).table
    result = np.full(len(wanted), np.nan)
    for number, one in enumerate(wanted):
        row = one["truth"]
        own = np.flatnonzero((table["capture"] == row["capture"]) & (table["channel"] == row["channel"]))
        if own.size:
            away = np.abs(table["time_s"][own] - row["coil_off_s"])
            if away.min() < NEAR_S:
                result[number] = table["burn_time_ms"][own[away.argmin()]]
    return result


def line(name: str, against: str, error: NDArray, engines: NDArray, rng: np.random.Generator) -> dict[str, Any]:
    """Return one line of the table."""
    found = error_summary(error, engines, rng, LIMITS_MS)
    return {
        "algorithm": name, "against": against, "firings": found.measurable, "answered": found.answered_share.value,
        "median_us": 1e3 * found.median_absolute.value, "p95_us": 1e3 * found.p95_absolute.value,
        "bias_us": 1e3 * found.bias.value,
        "within": {f"{1e3 * limit:.0f} us": found.within[limit].value for limit in LIMITS_MS},
    }  # fmt: skip


def main() -> int:
    """Run all locators that can be loaded and write the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--set", type=Path, default=HERE.parent / "datasets" / "picture-read")
    parser.add_argument("--out", type=Path, default=HERE / "results")
    options = parser.parse_args()
    dataset = Dataset.open(options.set)
    wanted = firings(dataset)
    engines = np.array([one["engine"] for one in wanted])
    truth = np.array([one["truth"]["burn_time_ms"] for one in wanted], dtype=float)
    reading = np.array([np.mean(one["readings"]) for one in wanted])
    twice = np.array([np.diff(one["readings"])[0] if len(one["readings"]) == 2 else np.nan for one in wanted])
    seed = provenance.seed_from(dataset.dataset_hash, provenance.tree_hash())
    rng = np.random.default_rng(seed)
    lines = [line("reading by eye (mean of two)", "truth", reading - truth, engines, rng)]
    excess: dict[str, Any] = {}
    for plugin in registry.plugins("locators"):
        if plugin.problem:
            continue
        try:
            said = answers(plugin.name, dataset, wanted)
        except PluginError as error:
            sys.stderr.write(f"{error}\n")
            continue
        for against, values in (("truth", truth), ("readings", reading)):
            lines.append(line(plugin.name, against, said - values, engines, rng))
        beyond = excess_error(said - reading, engines, twice, engines, rng, readings_per_label=2)
        excess[plugin.name] = {
            "excess_us": 1e3 * beyond.excess.value, "low": 1e3 * beyond.excess.low, "high": 1e3 * beyond.excess.high,
            "repeatability_us": 1e3 * beyond.repeatability.value,
        }  # fmt: skip
    about = about_run(seed, dataset=dataset.name, content=dataset.dataset_hash)
    result = {"about": about, "lines": lines, "excess_beyond_the_readers": excess}
    text = json.dumps(plain(result), indent=1, allow_nan=False)
    (options.out / "picture_read.json").write_text(text + "\n", encoding="utf-8")
    (options.out / "picture_read.md").write_text(as_markdown(result), encoding="utf-8")
    sys.stdout.write(f"{options.out / 'picture_read.md'}: {len(wanted)} firings\n")
    return 0


def as_markdown(result: dict[str, Any]) -> str:
    """Return the table as text."""
    about = result["about"]
    rows = [
        "# Burn times against readings by eye and against truth",
        "",
        f"Set `{about['dataset']}` ({about['content'][:12]}), sigkit {about['sigkit_tree'][:16]}, default settings of "
        "all locators. The firings are those with a reading of both instants; the reading is the mean of two by one "
        "reader. The readers were the project's developers (see the set's card), the engines are simulated.",
        "",
        "| algorithm | against | answered | median, µs | 95 %, µs | bias, µs | within 10 / 25 / 50 / 100 µs |",
        "|---|---|---|---|---|---|---|",
    ]
    for one in result["lines"]:
        within = " / ".join(f"{100 * value:.0f} %" for value in one["within"].values())
        numbers = f"{one['median_us']:.1f} | {one['p95_us']:.1f} | {one['bias_us']:+.1f}"
        answered = f"{100 * one['answered']:.1f} %"
        rows.append(f"| {one['algorithm']} | {one['against']} | {answered} | {numbers} | {within} |")
    rows += [
        "",
        "Error beyond the readers' own repeatability (root of the mean square against readings, less the readers' "
        "share; in brackets 95 % by bootstrap over engines). The readers often recognised a second presentation, so "
        "their repeatability shows too good, and it cannot speak for errors they make twice:",
        "",
    ]
    for name, one in result["excess_beyond_the_readers"].items():
        interval = f"{one['low']:.1f} to {one['high']:.1f}"
        repeat = f"{one['repeatability_us']:.1f} µs"
        rows.append(f"- {name}: {one['excess_us']:.1f} µs ({interval}); repeatability of one reading {repeat}")
    return "\n".join(rows) + "\n"


if __name__ == "__main__":
    raise SystemExit(main())
