"""Transfer: every detector and locator on simulated engines and on ngspice firings of other structure, side by side.

Run from the project's folder with the Python of an environment that holds the package in ``benchmarks/baselines``:
``.baselines/bin/python benchmarks/transfer.py --workers 2``. It writes ``transfer.md``, ``.json`` and ``.png`` into
``benchmarks/results/``; a quick look is ``--engines 4 --out look``. Needs the program ngspice.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path
from typing import Any

import numpy as np
from ngspice_circuits import TAUGHT_WORDS
from ngspice_dataset import make_dataset
from study_files import about_study, caveats, read_study, write_study

from sigkit import provenance
from sigkit.bench.evaluate import default_cache
from sigkit.bench.made_once import made_once
from sigkit.bench.protocol import Protocol, read_protocol
from sigkit.bench.run_protocol import answer_split, choose_setting, competitors
from sigkit.bench.sealed_labels import SealedLabels
from sigkit.bench.simulated_data import protocol_data
from sigkit.bench.task_scores import primary_statistic, score_task
from sigkit.corpus.dataset import Dataset
from sigkit.jobs import TaskFailure, stream_jobs
from sigkit.score.paired_difference import paired_statistic_difference

HERE = Path(__file__).resolve().parent
DATA = ("simulated", "solved")
#: Further metrics of a task that the table shows.
SHOWN = {
    "firing_detection": ("recall", "precision"),
    "polarity": ("answered",),
    "burn_time": ("answered", "median error", "95 % quantile"),
    "burn_voltage": ("answered", "median error"),
}


def main() -> int:
    """Run the study and write its tables and picture."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--protocol", type=Path, default=HERE / "protocols" / "transfer.toml")
    parser.add_argument("--out", type=Path, default=HERE / "results")
    parser.add_argument("--cache", type=Path, default=default_cache(), help="folder of simulated data sets")
    parser.add_argument("--engines", type=int, help="solved engines, not the protocol's: a look, no result")
    parser.add_argument("--workers", type=int, default=0, help="processes; 0 is one a core")
    options = parser.parse_args()
    study = read_study(options.protocol, "transfer")
    solved_protocol = options.protocol.parent / study["solved"]
    seed = provenance.study_seed(solved_protocol)
    engines = options.engines or study["solved_engines"]
    protocols = [read_protocol(name) for name in study["protocols"]]
    solved = solved_data(solved_protocol, seed, engines, options.cache, options.workers)
    tasks, left_out = [], {}
    for protocol in protocols:
        simulated = protocol_data(protocol, options.cache, options.workers, progress=True)
        for one in competitors(protocol):
            if one.problem:
                left_out[one.name] = one.problem
            else:
                tasks.append((protocol, one.name, one.origin, simulated.folder, solved.folder, seed))
    rows, outcomes = [], {}
    words: dict[str, Any] = {"progress": "judging", "describe": lambda task: f"{task[0].name}: {task[1]}"}
    for found in stream_jobs(run_one, tasks, options.workers, **words):
        if isinstance(found, TaskFailure):
            sys.stderr.write(found.details)
            raise SystemExit(f"transfer: {found}")
        row, outcome = found
        rows.append(row)
        outcomes[row["protocol"], row["algorithm"]] = outcome
    add_differences(rows, outcomes, seed)
    about = about_study(
        options.protocol, seed, solved_protocol_sha256=provenance.file_hash(solved_protocol), solved_engines=engines,
        complete=engines >= study["solved_engines"],
        data={"simulated": simulated.dataset_hash, "solved": solved.dataset_hash},
        simulated_engines=sum(split == "test" for split in simulated.splits.values()), left_out=left_out,
    )  # fmt: skip
    write_study(options.out, "transfer", {"about": about, "rows": rows}, as_markdown(about, rows))
    draw_pairs(rows, options.out / "transfer.png")
    sys.stdout.write(f"{options.out / 'transfer.md'}: {len(rows)} runs\n")
    return 0


def solved_data(protocol: Path, seed: int, engines: int, cache: Path, workers: int) -> Dataset:
    """Return the data set of solved firings, all in the test split; made on first use and kept in the cache."""
    home = cache / f"solved-{seed:016x}-{engines}"
    told = read_study(protocol, "ngspice_firings")
    # A data set is made in a folder that is not there yet.
    made_once(home, lambda folder: make_dataset(folder / "dataset", told, seed, 0, engines, workers))
    return Dataset.open(home / "dataset", checksums=False)


def run_one(task: tuple[Protocol, str, str, Path, Path, int]) -> tuple[dict[str, Any], dict[str, Any]]:
    """Choose on simulated develop, judge on both test splits; return the row and the outcomes of each."""
    protocol, algorithm, origin, *folders, seed = task
    row: dict[str, Any] = {"protocol": protocol.name, "title": protocol.title, "task": protocol.task,
                           "algorithm": algorithm, "origin": origin}  # fmt: skip
    outcomes = {}
    with tempfile.TemporaryDirectory() as work:
        choice = Path(work) / "choice.json"
        for name, folder in zip(DATA, folders, strict=True):
            dataset = Dataset.open(folder, checksums=False)
            labels = SealedLabels(dataset, algorithm, choice)
            if name == "simulated":
                row["settings"] = choose_setting(protocol, algorithm, dataset, labels, choice, "", seed)
            answer = answer_split(protocol, algorithm, dataset, "test", row["settings"], "")
            scored = score_task(protocol, labels.truth("test"), answer.table, seed)
            row[name] = {"metrics": scored.metrics, "primary": scored.primary, "counted": scored.counted}
            outcomes[name] = (scored.engine.astype(str), list(scored.outcomes.values()))
    return row, outcomes


def add_differences(rows: list[dict[str, Any]], outcomes: dict[tuple[str, str], dict[str, Any]], seed: int) -> None:
    """Add to each rival what ours is ahead by, on the same engines drawn."""
    ours = {row["protocol"]: row["algorithm"] for row in rows if row["origin"] == "built-in"}
    for row in rows:
        own = ours.get(row["protocol"])
        if own is None or row["algorithm"] == own:
            continue
        for name in DATA:
            first, second = (outcomes[row["protocol"], one][name] for one in (own, row["algorithm"]))
            if not np.array_equal(first[0], second[0]):
                continue
            found = paired_statistic_difference(
                primary_statistic(row["task"]), first[1], second[1], first[0], np.random.default_rng([seed, 2]),
                resamples=500,
            )  # fmt: skip
            row[name]["ours_ahead"] = {"value": found.value, "low": found.low, "high": found.high}


def as_markdown(about: dict[str, Any], rows: list[dict[str, Any]]) -> str:
    """Return a table a task."""
    text = ["# Transfer to circuits of other structure", ""]
    text += caveats(about, "fewer engines than the protocol asks for")
    text += [
        f"Every algorithm on {about['simulated_engines']} simulated engines and on the firings of "
        f"{about['solved_engines']} coils of four structures (secondary ended at the supply, blocking diode, two "
        "sections, rotor gap; another gap law), solved by ngspice, recorded through the same model of the recorder. "
        f"{TAUGHT_WORDS} "
        "Settings are chosen on simulated engines alone. Simulated engines suffer from faults "
        "and crosstalk and have up to six leads; solved ones are sound and have one: what is easy and what is hard "
        "differs too, so compare the algorithms within a column. In brackets: 95 % interval by bootstrap over engines; "
        f"ours ahead: of the same engines drawn. Seed {about['seed']} from the committed tree "
        f"({about['sigkit_tree']}). Neither is recorded: nothing here is a claim about the field.",
        "",
        "![The metric that ranks, simulated beside solved](transfer.png)",
    ]
    for name in dict.fromkeys(row["protocol"] for row in rows):
        own = ranked(rows, name)
        primary, shown = own[0]["simulated"]["primary"], SHOWN[own[0]["task"]]
        counted = " and ".join(f"{own[0][data]['counted']} {data}" for data in DATA)
        heads = [f"{data}: {head}" for data in DATA for head in (primary, *shown, "ours ahead")]
        text += ["", f"## {own[0]['title']}", "", f"Counted: {counted}.", "",
                 f"| algorithm | {' | '.join(heads)} |", "|---" * (len(heads) + 1) + "|"]  # fmt: skip
        for row in own:
            cells = []
            for data in DATA:
                cells += [_cell(row[data]["metrics"].get(head)) for head in (primary, *shown)]
                cells.append(_cell(row[data].get("ours_ahead")))
            text.append(f"| {row['algorithm']} ({row['origin']}) | {' | '.join(cells)} |")
    text += [f"\nLeft out: {name}, {problem}." for name, problem in about["left_out"].items()]
    return "\n".join(text) + "\n"


def ranked(rows: list[dict[str, Any]], protocol: str) -> list[dict[str, Any]]:
    """Return the rows of a protocol, best on the solved firings first."""
    own = [row for row in rows if row["protocol"] == protocol]
    return sorted(own, key=lambda row: -row["solved"]["metrics"][row["solved"]["primary"]]["value"])


def _cell(metric: dict[str, Any] | None) -> str:
    if metric is None:
        return "–"
    unit = metric.get("unit", "share")
    said = "" if unit in ("share", "F1") else f" {unit}"
    return f"{metric['value']:.3g}{said} ({metric['low']:.3g} to {metric['high']:.3g})"


def draw_pairs(rows: list[dict[str, Any]], path: Path) -> None:
    """Draw a panel a task: each algorithm's metric that ranks, simulated beside solved."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    names = list(dict.fromkeys(row["protocol"] for row in rows))
    figure = Figure(figsize=(12.0, 3.2 * -(-len(names) // 2) + 0.4), layout="constrained")
    FigureCanvasAgg(figure)
    panels = figure.subplots(-(-len(names) // 2), 2, squeeze=False).ravel()
    for panel, name in zip(panels, names, strict=False):
        own = ranked(rows, name)[::-1]
        for data, marker, shift in zip(DATA, "os", (0.13, -0.13), strict=True):
            told = [row[data]["metrics"][row[data]["primary"]] for row in own]
            value, low, high = (np.array([one[key] for one in told]) for key in ("value", "low", "high"))
            reach = np.maximum([value - low, high - value], 0.0)
            panel.errorbar(value, np.arange(len(own)) + shift, xerr=reach, fmt=marker, markersize=4, capsize=2,
                           linewidth=1, label=f"{data} by ngspice" if data == "solved" else data)  # fmt: skip
        panel.set_yticks(range(len(own)), [row["algorithm"] for row in own], fontsize=8)
        panel.set_xlim(-0.02, 1.02)
        panel.set_title(f"{own[0]['title']}: {own[0]['simulated']['primary']}", fontsize=10)
        panel.grid(alpha=0.3)
    for panel in panels[len(names) :]:
        panel.set_axis_off()
    figure.legend(*panels[0].get_legend_handles_labels(), loc="outside lower center", ncols=2)
    figure.savefig(path, dpi=110)


if __name__ == "__main__":
    raise SystemExit(main())
