"""``sigkit bench``: compare algorithms on the same terms."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from sigkit.bench.protocol import Protocol
    from sigkit.corpus.dataset import Dataset

app = typer.Typer(
    add_completion=False,
    rich_markup_mode=None,
    no_args_is_help=True,
    help="Compare detectors, locators and classifiers on the same terms.\n\nExample: sigkit bench list",
)

Runs = Annotated[Path, typer.Option("--runs", "--out", help="Folder of the results.")]
Cache = Annotated[Path | None, typer.Option("--cache", help="Folder that keeps simulated data sets; the user's cache.")]
Workers = Annotated[int, typer.Option("--workers", min=0, help="Processes; 0 is one a core.")]
DEFAULT_RUNS = Path("benchmarks/results/runs")


@app.command("list")
def list_protocols() -> None:
    """List the protocols, and who competes in each.

    Example: sigkit bench list
    """
    from sigkit.bench.protocol import protocol_names, read_protocol
    from sigkit.bench.run_protocol import competitors

    for name in protocol_names():
        protocol = read_protocol(name)
        typer.echo(f"{name}: {protocol.title}")
        for one in competitors(protocol):
            typer.echo(f"  {one.name} ({one.origin}){': ' + one.problem if one.problem else ''}")


@app.command()
def run(
    protocols: Annotated[list[str] | None, typer.Argument(help="Names or .toml files; all when none is given.")] = None,
    protocol: Annotated[list[str] | None, typer.Option(help="A further name or .toml file.")] = None,
    algorithm: Annotated[str, typer.Option(help="Only this plug-in.")] = "",
    out: Runs = DEFAULT_RUNS,
    cache: Cache = None,
    workers: Workers = 0,
    limit: Annotated[float, typer.Option(min=1.0, help="Longest time for one answer, seconds.")] = 3600.0,
) -> None:
    """Run every competitor of the protocols; finished runs of the same state are kept.

    Example: sigkit bench run polarity --algorithm block_activity
    """
    import sys

    from sigkit.bench.plan_runs import plan_runs
    from sigkit.jobs import TaskFailure, available_cores, stream_jobs

    plan = plan_runs([*(protocols or []), *(protocol or [])], algorithm, out)
    for left_out in plan.left_out:
        typer.echo(left_out, err=True)
    # At a glance before anything is simulated or run.
    typer.echo(plan.words(workers or available_cores()), err=True)
    out.mkdir(parents=True, exist_ok=True)
    folders = {name: _data(one, cache, workers).folder for name, one in plan.protocols.items()}
    tasks = [(plan.protocols[name], algorithm, folders[name], out, limit) for name, algorithm in plan.runs]
    left = plan.time_left(workers or available_cores())
    failures = 0
    streamed = stream_jobs(
        _run_one, tasks, workers, progress="running", describe=lambda task: f"{task[0].name}: {task[1]}"
    )
    for number, told in enumerate(streamed):
        if isinstance(told, TaskFailure):
            failures += 1
            left.done(number, 0.0)
            sys.stderr.write(f"sigkit: {told}\n")
            continue
        words, spent_s = told
        left.done(number, spent_s)
        typer.echo(f"{words}; {number + 1} of {len(tasks)}, {left.words()}")
    if failures:
        raise typer.Exit(1)


def _run_one(task: tuple[Protocol, str, Path, Path, float]) -> tuple[str, float]:
    from sigkit.bench.run_protocol import run_protocol
    from sigkit.corpus.dataset import Dataset

    protocol, algorithm, folder, out, limit_s = task
    result = run_protocol(protocol, algorithm, Dataset.open(folder, checksums=False), out, limit_s)
    one = result["metrics"][result["primary"]]
    kept = bool(result.get("kept"))
    word = "kept" if kept else f"{result['time']['judge_s']:.1f} s"
    figure = "–" if one["value"] is None else f"{one['value']:.4g}"
    spent_s = 0.0 if kept else float(result["time"]["total_s"])
    return f"{protocol.name}: {algorithm}: {result['primary']} {figure} ({word})", spent_s


@app.command()
def score(
    predictions: Annotated[Path, typer.Argument(help="CSV, one row a firing (a capture when ranking).")],
    protocol: Annotated[str, typer.Option(help="Name or .toml file.")],
    split: Annotated[str, typer.Option(help="develop or test.")] = "develop",
    data: Annotated[
        Path | None, typer.Option("--data", help="A data set, 'demo' for the shipped one; else the protocol's.")
    ] = None,
    cache: Cache = None,
    workers: Workers = 0,
) -> None:
    """Score a table of predictions made in any language.

    Example: sigkit bench score predictions.csv --protocol polarity --data demo
    """
    from sigkit.bench.evaluate import score_file
    from sigkit.bench.protocol import read_protocol
    from sigkit.corpus.open_dataset import open_dataset
    from sigkit.errors import SettingsError

    if split not in ("develop", "test"):
        raise SettingsError(f"--split is {split!r}; expected develop or test")
    one = read_protocol(protocol)
    dataset = open_dataset(data) if data else _data(one, cache, workers)
    scored = score_file(predictions, one, dataset, split)
    typer.echo(f"{one.title}: {scored.counted} counted, {dataset.name}, split {split}")
    for name, metric in scored.metrics.items():
        # Fewer than two engines give no interval.
        known = metric["low"] == metric["low"]
        interval = f"{metric['low']:.4g} to {metric['high']:.4g}" if known else "no interval"
        typer.echo(f"  {name}: {metric['value']:.4g} ({interval}) {metric['unit']}")


@app.command()
def check(
    name: Annotated[str, typer.Argument(help="A registered plug-in.")],
    group: Annotated[str, typer.Option(help="Its group, where several have one of that name.")] = "",
    limit: Annotated[float, typer.Option(min=1.0, help="Longest time for all checks, seconds.")] = 600.0,
) -> None:
    """Check a plug-in: contract, determinism, invariances, edge cases, declared capabilities.

    Example: sigkit bench check block_activity
    """
    from sigkit.bench.check_isolated import check_isolated

    wrong = 0
    for found in check_isolated(name, group, limit):
        wrong += not found.passed
        typer.echo(f"  {found.word}  {found.group}: {found.check}{': ' + found.problem if found.problem else ''}")
    if wrong:
        raise typer.Exit(1)


@app.command()
def report(
    runs: Annotated[Path, typer.Argument(help="Folder of the results.")] = DEFAULT_RUNS,
    out: Annotated[Path, typer.Option("--out", help="Folder of leaderboard.html and leaderboard.md.")] = Path(
        "benchmarks/results"
    ),
    readme: Annotated[Path | None, typer.Option(help="Also write the short table into this file.")] = None,
) -> None:
    """Build the leaderboard from the results.

    Example: sigkit bench report benchmarks/results/runs --out look
    """
    from sigkit.bench.leaderboard import build_leaderboard

    out.mkdir(parents=True, exist_ok=True)
    build_leaderboard(runs, out, readme)
    typer.echo(f"{out / 'leaderboard.html'}, {out / 'leaderboard.md'}")


def _data(protocol: Protocol, cache: Path | None, workers: int) -> Dataset:
    from sigkit.bench.evaluate import default_cache
    from sigkit.bench.simulated_data import protocol_data

    return protocol_data(protocol, cache or default_cache(), workers, progress=True)
