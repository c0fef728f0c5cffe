"""Robustness sweeps: the built-in algorithms with one property of recorder or engine fixed at each of its values.

Run from the project's folder: ``python benchmarks/robustness.py --workers 2``. It writes ``robustness.md``,
``robustness.json`` and ``robustness.png`` into ``benchmarks/results/``. ``--engines 2 --out look`` is a quick look.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np
from first_table_lines import Line, LineMaker, make_lines
from first_table_rows import score_engines
from numpy.typing import NDArray
from study_files import about_study, caveats, read_study, write_study

from sigkit import provenance
from sigkit.jobs import TaskFailure, run_jobs

HERE = Path(__file__).resolve().parent
#: What the values mean, where the recipe's name does not say it.
WORDS = {
    "sample_rates_Hz": "sample rate, Hz", "bits": "bits", "engine_speed_rpm": "engine speed, 1/min",
    "nuisance": "noise, impulses, ripple, drift and crosstalk against the usual",
    "range_shares": "range: sensible, too small (clipping), too big", "severity": "severity of the faults drawn",
    "noise": "noise alone, root mean square, share of half the span", "crosstalk": "crosstalk alone against the usual",
    "bandwidth_Hz": "bandwidth, Hz", "pickup_time_constant_s": "droop: time constant of the pickup, s",
    "scale": "what the capture says of its scale",
}  # fmt: skip
#: Columns of the table: start of the line's name, heading.
COLUMNS = (
    ("detection recall, secondary", "recall"), ("detection precision", "precision"),
    ("spark state right", "spark state"), ("burn time answered within", "burn time within 50 µs"),
    ("burn time from 0 kS/s: median", "median error, µs"), ("95 % interval of burn time", "95 % interval covers"),
    ("burn voltage within", "burn voltage within 2 %"), ("burn voltage in kV", "burn voltage given in kV"),
    ("condition: macro-F1 of the best", "condition macro-F1"),
)  # fmt: skip
#: Columns of the picture; the others are in the table.
SHOWN = ("burn time within 50 µs", "burn voltage within 2 %", "recall", "condition macro-F1")
BURN_VOLTAGE = 0.02


def main() -> int:
    """Run all sweeps and write the tables."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--protocol", type=Path, default=HERE / "protocols" / "robustness.toml")
    parser.add_argument("--out", type=Path, default=HERE / "results")
    parser.add_argument("--workers", type=int, default=0)
    parser.add_argument("--engines", type=int, help="engines a value, not the protocol's: a look, no result")
    options = parser.parse_args()
    protocol = read_study(options.protocol, "robustness")
    seed = provenance.study_seed(options.protocol)
    common = {name: _tuple(value) for name, value in protocol["recipe"].items()}
    tolerance_s = protocol["matching"]["tolerance_ms"] * 1e-3
    points = [(name, value) for name, values in protocol["sweep"].items() for value in values]
    engines = options.engines or protocol["engines_a_value"]
    tasks = [
        ({**common, "engines": engines, **entries_of(name, value)}, tolerance_s, seed, number)
        for number, (name, value) in enumerate(points)
    ]
    found = run_jobs(score_engines, tasks, options.workers, progress="simulating", describe=lambda task: str(task[3]))
    results = []
    for (name, value), rows in zip(points, found, strict=True):
        if isinstance(rows, TaskFailure):
            raise rows.error
        rng = np.random.default_rng([seed, 1])
        lines = make_lines(rows, protocol, rng, divided=False)
        lines += burn_voltage_lines(rows, protocol, rng)
        # JSON has no infinity.
        said = "inf" if value == np.inf else value
        results.append({"property": name, "value": said, "lines": [asdict(one) for one in lines]})
    complete = engines >= protocol["engines_a_value"]
    about = about_study(options.protocol, seed, engines_a_value=engines, complete=complete)
    write_study(options.out, "robustness", {"about": about, "points": results}, as_markdown(about, results))
    draw(results, options.out / "robustness.png")
    sys.stdout.write(f"{options.out / 'robustness.md'}: {len(points)} points\n")
    return 0


def entries_of(name: str, value: Any) -> dict[str, Any]:
    """Return the entries of the recipe of a point: its own, or those of a table without ``said``.

    Examples
    --------
    >>> entries_of("bits", [8])
    {'bits': (8,)}
    >>> entries_of("scale", {"said": "nothing", "ratio_known_share": 0.0})
    {'ratio_known_share': 0.0}
    """
    told = value if isinstance(value, dict) else {name: value}
    return {key: _tuple(one) for key, one in told.items() if key != "said"}


def burn_voltage_lines(rows: dict[str, NDArray], protocol: dict[str, Any], rng: np.random.Generator) -> list[Line]:
    """Return the shares of burn voltages right at the recorder's input, and of those said in kV."""
    maker = LineMaker("all", rows, protocol, rng)
    asked = maker.secondary & rows["burn_voltage_asked"]
    answered = np.isfinite(rows["burn_voltage_error"])
    right = np.abs(rows["burn_voltage_error"]) <= BURN_VOLTAGE
    return [
        *maker.share("burn voltage within 2 % at the recorder", right, asked, answered),
        *maker.share("burn voltage in kV given", rows["burn_voltage_scaled"], asked),
    ]


def draw(results: list[dict[str, Any]], path: Path) -> None:
    """Draw one panel a property: shares with their intervals against its values."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    names = list(dict.fromkeys(one["property"] for one in results))
    figure = Figure(figsize=(13.0, 3.2 * -(-len(names) // 3) + 0.6), layout="constrained")
    FigureCanvasAgg(figure)
    panels = figure.subplots(-(-len(names) // 3), 3, sharey=True, squeeze=False).ravel()
    heads = {head: start for start, head in COLUMNS}
    for panel, name in zip(panels, names, strict=False):
        points = [one for one in results if one["property"] == name]
        for number, head in enumerate(SHOWN):
            start = heads[head]
            found = [
                (k, line) for k, one in enumerate(points) for line in one["lines"] if line["quantity"].startswith(start)
            ]
            at = np.array([place for place, _ in found], dtype=float)
            value, low, high = (np.array([line[key] for _, line in found]) for key in ("value", "low", "high"))
            # An interval by bootstrap need not hold the value itself.
            reach = np.maximum([value - low, high - value], 0.0)
            panel.errorbar(at + 0.09 * (number - 1.5), value, yerr=reach, fmt=".-", capsize=2, linewidth=1,
                           label=head)  # fmt: skip
        panel.set_title(WORDS.get(name, name), fontsize=9)
        panel.set_xticks(range(len(points)), [_said(one["value"]) for one in points], fontsize=8)
        panel.set_ylim(0.0, 1.05)
        panel.grid(alpha=0.3)
    for panel in panels[len(names) :]:
        panel.set_axis_off()
    figure.legend(*panels[0].get_legend_handles_labels(), loc="outside lower center", ncols=len(SHOWN), fontsize=9)
    figure.supylabel("share, or F1", fontsize=9)
    figure.savefig(path, dpi=110)


def as_markdown(about: dict[str, Any], results: list[dict[str, Any]]) -> str:
    """Return one table a property."""
    rows = [
        "# Robustness",
        "",
        f"Built-in algorithms on simulated engines, {about['engines_a_value']} a value, seed {about['seed']} from the "
        f"committed tree ({about['sigkit_tree']}). In brackets: 95 % interval by bootstrap over engines; with so few "
        "engines they are wide. Nothing here is a claim about the field. The burn voltage is judged at the recorder's "
        "input; the errors of the pickups' ratios, which no capture can know, are not in it.",
        "",
        "![Shares against the values of each property](robustness.png)",
    ]
    rows[2:2] = caveats(about, "fewer engines than the protocol asks for")
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
    if isinstance(value, dict):
        return str(value.get("said") or ", ".join(f"{key} {one:g}" for key, one in value.items()))
    parts = [f"{float(part):g}" for part in (value if isinstance(value, list) else [value])]
    return " to ".join(dict.fromkeys(parts)) if len(parts) < 3 else " : ".join(parts)


def _tuple(value: Any) -> Any:
    return tuple(value) if isinstance(value, list) else value


if __name__ == "__main__":
    raise SystemExit(main())
