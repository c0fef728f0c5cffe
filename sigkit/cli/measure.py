"""``sigkit measure``: one file, every firing in a table."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from sigkit.measure.measured_capture import MeasuredCapture
    from sigkit.types.firing_table import Table

#: Columns a terminal without a width (a pipe, a file) is taken to have; our choice.
PIPE_COLUMNS = 200


def measure(
    file: Annotated[str, typer.Argument(help="One capture file; 'demo' is one of the shipped invented captures.")],
    leads: Annotated[str, typer.Option(help="Names of the leads, with commas, one a channel.")] = "",
    rate: Annotated[float | None, typer.Option(help="Sample rate in hertz where the file gives none.")] = None,
    profile: Annotated[str, typer.Option(help="Profile of the capture (sigkit profile list).")] = "",
    model: Annotated[str, typer.Option(help="Condition model: name or folder; the shipped one by default.")] = "",
    plot: Annotated[Path | None, typer.Option(help="Write a picture of the firings to this PNG file.")] = None,
    csv: Annotated[Path | None, typer.Option("--csv", help="Write the whole firing table to this CSV file.")] = None,
    json: Annotated[bool, typer.Option("--json", help="Print the firing table as JSON instead.")] = False,
) -> None:
    """Measure every firing of one file.

    Values are shown with the half-width of their 95 % interval.

    Example: sigkit measure demo --plot firings.png
    """
    from threadpoolctl import threadpool_limits

    from sigkit.capture.open_captures import open_planned, plan_opening
    from sigkit.classify.judge_table import judge_table
    from sigkit.classify.model_store import load_default_model, load_model
    from sigkit.context.apply_context import apply_context
    from sigkit.context.capture_info import CaptureInfo
    from sigkit.measure.measure_capture import measure_capture
    from sigkit.types.firing_table import concatenate

    if plot is not None and plot.suffix.lower() != ".png":
        raise typer.BadParameter(f"{plot} does not end in .png; pictures are written as PNG", param_hint="--plot")
    plan = plan_opening(
        [_demo_capture() if file == "demo" else file],
        leads=[lead.strip() for lead in leads.split(",") if lead.strip()], sample_rate_Hz=rate, profile=profile,
    )  # fmt: skip
    if len(plan.sources) != 1:
        found = f"{len(plan.sources)} files were found in {file}"
        raise typer.BadParameter(f"{found}; give one file, or use sigkit screen for many", param_hint="FILE")
    for warning in plan.warnings:
        typer.echo(f"sigkit: {warning}", err=True)
    measured = [measure_capture(capture) for capture in open_planned(plan.sources[0])]
    chosen = load_model(model) if model else load_default_model()
    infos = [CaptureInfo.of(one.capture) for one in measured]
    # One thread: trees on a small table wait for busy cores far longer than they compute.
    with threadpool_limits(limits=1):
        table = judge_table(apply_context(concatenate([one.table for one in measured]), infos), chosen)
    if json:
        _print_json(table)
    else:
        _print_table(table, file, chosen is not None, [w for one in measured for w in one.capture.warnings])
    if csv is not None:
        _write_csv(table, csv)
    if plot is not None:
        _write_plot(measured, table, plot)
    if not len(table["firing"]):
        typer.echo("sigkit: no firing was found on any channel", err=True)
        raise typer.Exit(1)


def _demo_capture() -> str:
    from sigkit.shipped import demo_archive

    # Four leads on one file: something to see in table and picture.
    return str(min(demo_archive().rglob("mayfly-02.*")))


def _print_json(table: Table) -> None:
    import json

    from sigkit.report.terminal_table import records_of
    from sigkit.types.firing_table import all_columns

    columns = [*all_columns(), *sorted(set(table) - set(all_columns()))]
    typer.echo(json.dumps(records_of(table, columns), indent=1, allow_nan=False))


def _print_table(table: Table, title: str, with_conditions: bool, warnings: Sequence[str]) -> None:
    from rich.console import Console

    from sigkit.report.cautions import SIMULATED_NOTE, SUGGESTION_NOTE
    from sigkit.report.terminal_table import footnotes, terminal_table

    console = Console()
    if not console.is_terminal:
        console = Console(width=PIPE_COLUMNS)
    console.print(terminal_table(table, title=title, with_conditions=with_conditions))
    notes = [*footnotes(table), *warnings, *((SUGGESTION_NOTE, SIMULATED_NOTE) if with_conditions else ())]
    for line in dict.fromkeys(notes):
        console.print(line, markup=False, highlight=False)


def _write_csv(table: Table, path: Path) -> None:
    from sigkit.capture.atomic_file import atomic_file
    from sigkit.report.write_tables import write_firings_csv

    with atomic_file(path) as temporary:
        write_firings_csv(temporary, table)


def _write_plot(measured: Sequence[MeasuredCapture], table: Table, path: Path) -> None:
    """Write one picture: the leads side by side, or the firings of the only lead over each other."""
    import numpy as np

    from sigkit.capture.atomic_file import atomic_file
    from sigkit.report.firing_trace import cut_traces
    from sigkit.screen.draw_capture import pictures_of, rows_to_draw
    from sigkit.screen.judge_engine import judged_rows

    shown = judged_rows(table)
    for one in measured:
        rows = np.flatnonzero(shown["capture"] == one.capture.name)
        own = {name: column[rows] for name, column in shown.items()}
        own = {name: column[rows_to_draw(own)] for name, column in own.items()}
        traces = cut_traces(one.capture, own, np.arange(len(own["capture"])), one.intervals)
        pictures = pictures_of(traces, own, "", one.capture.firing_order)
        if pictures:
            with atomic_file(path) as temporary:
                temporary.write_bytes(pictures[0].png)
            return
    typer.echo(f"sigkit: {path} was not written, there is no firing to draw", err=True)
