"""Learning curve: the bench's classifiers that learn, with so many engines to learn from.

Run from the project's folder with the Python of an environment that holds the package in ``benchmarks/baselines``:
``.baselines/bin/python benchmarks/learning_curve.py --workers 2``. It writes ``learning_curve.md``, ``.json`` and
``.png`` into ``benchmarks/results/``; a quick look is ``--sizes 6 12 --out look``.
"""

from __future__ import annotations

import argparse
import dataclasses
import sys
import tempfile
from pathlib import Path
from typing import Any

import numpy as np
from study_files import about_study, caveats, read_study, write_study

from sigkit import provenance, registry
from sigkit.bench.evaluate import default_cache
from sigkit.bench.protocol import Protocol, read_protocol
from sigkit.bench.run_protocol import answer_split, choose_setting
from sigkit.bench.sealed_labels import SealedLabels
from sigkit.bench.simulated_data import protocol_data
from sigkit.bench.task_scores import score_task
from sigkit.corpus.dataset import Dataset
from sigkit.errors import PluginError
from sigkit.jobs import TaskFailure, stream_jobs

HERE = Path(__file__).resolve().parent
#: Metrics of the table beside the one that ranks.
SHOWN = ("balanced accuracy", "log loss", "set coverage")


def main() -> int:
    """Run the study and write its table and picture."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--protocol", type=Path, default=HERE / "protocols" / "learning_curve.toml")
    parser.add_argument("--out", type=Path, default=HERE / "results")
    parser.add_argument("--cache", type=Path, default=default_cache(), help="folder of simulated data sets")
    parser.add_argument("--sizes", type=int, nargs="+", help="other numbers of engines, drawn once: a look, no result")
    parser.add_argument("--workers", type=int, default=0, help="processes; 0 is one a core")
    options = parser.parse_args()
    study = read_study(options.protocol, "learning_curve")
    seed = provenance.study_seed(options.protocol)
    protocol = read_protocol(study["protocol"])
    dataset = protocol_data(protocol, options.cache, options.workers, progress=True)
    sizes = options.sizes or study["sizes"]
    draws = [1] * len(sizes) if options.sizes else study["draws"]
    there = {one.name: one.problem for one in registry.plugins(protocol.group)}
    wanted = [*there, *(name for name in protocol.baselines if name not in there)]
    left_out = {name: there.get(name, "not installed") for name in wanted if there.get(name, "not installed")}
    names = [name for name in there if name not in left_out]
    # The longest first, so that no core waits for it at the end.
    tasks = [
        (protocol, dataset.folder, name, size, draw, seed)
        for size, many in sorted(zip(sizes, draws, strict=True), reverse=True)
        for name in names if learns(protocol, name)
        for draw in range(many)
    ]  # fmt: skip
    tasks += [(protocol, dataset.folder, name, 0, 0, seed) for name in study["marks"] if name in names]
    rows = []
    words: dict[str, Any] = {"progress": "learning", "describe": lambda task: f"{task[2]} from {task[3]} engines"}
    for found in stream_jobs(run_one, tasks, options.workers, **words):
        if isinstance(found, TaskFailure):
            sys.stderr.write(found.details)
            raise SystemExit(f"learning_curve: {found}")
        rows.append(found)
    rows.sort(key=lambda row: (row["algorithm"], row["engines"], row["draw"]))
    about = about_study(
        options.protocol, seed, bench_protocol=protocol.name, bench_protocol_sha256=protocol.content_hash,
        data_hash=dataset.dataset_hash, complete=not options.sizes,
        test_engines=sum(split == "test" for split in dataset.splits.values()), left_out=left_out,
    )  # fmt: skip
    write_study(options.out, "learning_curve", {"about": about, "rows": rows}, as_markdown(about, rows))
    draw_curves(rows, options.out / "learning_curve.png")
    sys.stdout.write(f"{options.out / 'learning_curve.md'}: {len(rows)} runs\n")
    return 0


def learns(protocol: Protocol, name: str) -> bool:
    """Tell whether the bench would train a plug-in: it has ``fit`` and does not come trained."""
    kind = registry.load(protocol.group, name)
    return callable(getattr(kind, "fit", None)) and not callable(getattr(kind, "shipped", None))


def with_fewer(dataset: Dataset, size: int, draw: int, seed: int) -> Dataset:
    """Return the data set with so many engines in its train split, drawn; the others are in no split.

    Raises
    ------
    SystemExit
        When the split holds fewer.
    """
    train = sorted(engine for engine, split in dataset.splits.items() if split == "train")
    if size > len(train):
        raise SystemExit(f"learning_curve: {size} engines to learn from, but the train split holds {len(train)}")
    # Each draw is nested: the engines of a smaller size are among those of a greater one.
    order = np.random.default_rng([seed, draw]).permutation(len(train))
    kept = {train[number] for number in order[:size]}
    splits = {engine: split for engine, split in dataset.splits.items() if split != "train" or engine in kept}
    return dataclasses.replace(dataset, splits=splits)


def run_one(task: tuple[Protocol, Path, str, int, int, int]) -> dict[str, Any]:
    """Train one algorithm on so many engines as the bench does, and score it on the test split."""
    protocol, folder, algorithm, size, draw, seed = task
    whole = Dataset.open(folder, checksums=False)
    dataset = with_fewer(whole, size, draw, seed) if size else whole
    learn = "train" if size else ""
    row: dict[str, Any] = {"algorithm": algorithm, "engines": size, "draw": draw, "problem": ""}
    with tempfile.TemporaryDirectory() as work:
        choice = Path(work) / "choice.json"
        labels = SealedLabels(dataset, algorithm, choice)
        try:
            settings = choose_setting(protocol, algorithm, dataset, labels, choice, learn, seed)
            answer = answer_split(protocol, algorithm, dataset, "test", settings, learn)
        except PluginError as error:
            return row | {"problem": str(error)}
        scored = score_task(protocol, labels.truth("test"), answer.table, seed)
    return row | {
        "settings": settings, "primary": scored.primary, "metrics": scored.metrics, "counted": scored.counted,
        "learn_s": answer.seconds["learn_s"],
    }  # fmt: skip


def as_markdown(about: dict[str, Any], rows: list[dict[str, Any]]) -> str:
    """Return the table."""
    told = [row for row in rows if not row["problem"]]
    primary = told[0]["primary"] if told else ""
    text = ["# Learning curve", ""]
    text += caveats(about, "other sizes than the protocol's")
    counted = told[0]["counted"] if told else 0
    text += [
        f"Task, test split and metrics of the bench's protocol `{about['bench_protocol']}`: {counted} firings of "
        f"{about['test_engines']} simulated engines. So many engines are drawn from its train split, smaller numbers "
        "among the greater; each draw is a line. In brackets: 95 % interval by bootstrap over the test engines; what "
        "the choice of training engines does is seen between the draws. Engines 0: nothing is learnt here "
        f"(`condition_pipeline` comes trained on far more engines). Seed {about['seed']} from the committed tree "
        f"({about['sigkit_tree']}). Simulated is not recorded: nothing here is a claim about the field.",
        "",
        "![Macro-F1 against engines to learn from](learning_curve.png)",
        "",
        f"| algorithm | engines | draw | {primary} | {' | '.join(SHOWN)} | learning, s |",
        "|---" * (len(SHOWN) + 5) + "|",
    ]
    for row in rows:
        start = f"| {row['algorithm']} | {row['engines']} | {row['draw'] + 1} |"
        if row["problem"]:
            text.append(f"{start} {row['problem']} |{' – |' * (len(SHOWN) + 1)}")
        else:
            cells = [_cell(row["metrics"].get(name)) for name in (primary, *SHOWN)]
            text.append(f"{start} {' | '.join(cells)} | {row['learn_s']:.1f} |")
    text += [f"\nLeft out: {name}, {problem}." for name, problem in about["left_out"].items()]
    return "\n".join(text) + "\n"


def _cell(metric: dict[str, Any] | None) -> str:
    return "–" if metric is None else f"{metric['value']:.3f} ({metric['low']:.3f} to {metric['high']:.3f})"


def draw_curves(rows: list[dict[str, Any]], path: Path) -> None:
    """Draw the metric that ranks against the engines learnt from: a point a draw, a line through their means."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(8.0, 5.0), layout="constrained")
    FigureCanvasAgg(figure)
    panel = figure.subplots()
    told = [row for row in rows if not row["problem"]]
    curves = list(dict.fromkeys(row["algorithm"] for row in told if row["engines"]))
    for k, name in enumerate(curves):
        own = [row for row in told if row["algorithm"] == name]
        size = np.array([row["engines"] for row in own])
        value, low, high = (np.array([row["metrics"][row["primary"]][key] for row in own]) for key in
                            ("value", "low", "high"))  # fmt: skip
        sizes = np.unique(size)
        # Apart, so that intervals at the same number of engines can be told from each other.
        shift = 1.025 ** (k - 0.5 * (len(curves) - 1))
        panel.plot(sizes * shift, [value[size == one].mean() for one in sizes], color=f"C{k}", label=name)
        apart = np.array([1.01 ** row["draw"] for row in own])
        reach = np.maximum([value - low, high - value], 0.0)
        panel.errorbar(size * shift * apart, value, yerr=reach, fmt=".", color=f"C{k}", capsize=2, linewidth=0.8)
    for k, row in enumerate([row for row in told if not row["engines"]]):
        value = row["metrics"][row["primary"]]["value"]
        panel.axhline(value, color="0.4", linestyle=("--", ":")[k % 2], label=f"{row['algorithm']} (not trained here)")
    ticks = sorted({row["engines"] for row in told} - {0})
    panel.set_xscale("log")
    panel.set_xticks(ticks, [str(one) for one in ticks])
    panel.set_xticks([], minor=True)
    panel.set_ylim(0.0, 1.0)
    panel.set_xlabel("engines to learn from")
    panel.set_ylabel(told[0]["primary"] if told else "")
    panel.grid(alpha=0.3)
    panel.legend(fontsize=8, loc="upper left")
    figure.savefig(path, dpi=120)


if __name__ == "__main__":
    raise SystemExit(main())
