"""``sigkit measure``: one file, every firing in a table."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def measure(
    file: Annotated[str, typer.Argument(help="One capture file.")],
    leads: Annotated[str, typer.Option(help="Names of the leads, with commas, one a channel.")] = "",
    rate: Annotated[float | None, typer.Option(help="Sample rate in hertz where the file gives none.")] = None,
    plot: Annotated[Path | None, typer.Option(help="Write a picture of the firings (PNG).")] = None,
    csv: Annotated[Path | None, typer.Option("--csv", help="Write the whole firing table as CSV.")] = None,
    json: Annotated[bool, typer.Option("--json", help="Print the firing table as JSON instead.")] = False,
) -> None:
    """Measure every firing of one file.

    Example: sigkit measure demo
    """
    import numpy as np

    from sigkit.capture.open_captures import open_planned, plan_opening
    from sigkit.context.apply_context import apply_context
    from sigkit.context.capture_info import CaptureInfo
    from sigkit.measure.measure_capture import measure_capture
    from sigkit.report.firing_trace import cut_traces
    from sigkit.report.terminal_table import footnotes, records_of, terminal_table
    from sigkit.shipped import demo_archive
    from sigkit.types.firing_table import FIRING_COLUMNS, concatenate

    if file == "demo":
        file = str(min(path for path in demo_archive().rglob("*.csv") if path.name != "captures.csv"))
    names = [lead.strip() for lead in leads.split(",") if lead.strip()]
    plan = plan_opening([file], leads=names, sample_rate_Hz=rate)
    if len(plan.sources) != 1:
        raise typer.BadParameter("give one file; use sigkit screen for folders and zips", param_hint="FILE")
    measured = [measure_capture(capture) for capture in open_planned(plan.sources[0])]
    table = apply_context(
        concatenate([one.table for one in measured]), [CaptureInfo.of(one.capture) for one in measured]
    )
    if json:
        import json as json_module

        typer.echo(json_module.dumps(records_of(table, FIRING_COLUMNS), indent=1))
    else:
        from rich.console import Console

        console = Console(width=None if Console().is_terminal else 160)
        console.print(terminal_table(table, title=file))
        for line in footnotes(table):
            console.print(line, markup=False, highlight=False)
    if csv is not None:
        import pyarrow.csv as arrow_csv

        from sigkit.report.write_tables import arrow_table, rounded
        from sigkit.types.firing_table import all_columns

        arrow_csv.write_csv(rounded(arrow_table(table, all_columns())), csv)
    if plot is not None:
        _plot(measured, table, plot, np, cut_traces)
    if len(table["firing"]) == 0:
        raise typer.Exit(1)


def _plot(measured: list, table: dict, plot: Path, np: object, cut_traces: object) -> None:
    """Write the superimposed firings of the first channel that has any."""
    from sigkit.report.picture import draw_superimposed

    for one in measured:
        for channel in dict.fromkeys(one.table["channel"]):
            rows = [i for i, name in enumerate(one.table["channel"]) if name == channel]
            traces = [t for t in cut_traces(one.capture, one.table, rows, one.intervals) if len(t.time_ms) > 1]  # type: ignore[operator]
            if traces:
                plot.write_bytes(draw_superimposed(traces).png)
                return
    typer.echo(f"{plot}: not written, there is no firing to draw", err=True)
