"""``sigkit screen``: a whole archive into tables and a page."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def screen(
    what: Annotated[
        list[str],
        typer.Argument(help="Folders, files, zips, @list.txt, addresses; 'demo' is the shipped invented archive."),
    ],
    out: Annotated[Path, typer.Option("--out", help="Folder to write; must not exist yet.")] = Path("report"),
    leads: Annotated[str, typer.Option(help="Names of the leads, with commas: one a file or one a channel.")] = "",
    rate: Annotated[float | None, typer.Option(help="Sample rate in hertz where the files give none.")] = None,
    profile: Annotated[str, typer.Option(help="Profile for all captures (sigkit profile list).")] = "",
    model: Annotated[str, typer.Option(help="Condition model: name or folder; the shipped one by default.")] = "",
    workers: Annotated[int, typer.Option(min=0, help="Processes; 0 is one a core. Changes no number.")] = 0,
    strict: Annotated[bool, typer.Option("--strict", help="Exit with 1 when any input was rejected.")] = False,
    overwrite: Annotated[bool, typer.Option("--overwrite", help="Replace the output of an earlier run.")] = False,
    write_sidecar: Annotated[
        Path | None, typer.Option(help="Only write a captures.csv to fill in, at this path, and stop.")
    ] = None,
) -> None:
    """Screen recordings: every firing measured, worst recordings first.

    Example: sigkit screen demo --out report
    """
    from sigkit.errors import SettingsError
    from sigkit.report.report_folder import check_output_folder
    from sigkit.shipped import demo_archive

    given = [str(demo_archive()) if one == "demo" else one for one in what]
    names = [lead.strip() for lead in leads.split(",") if lead.strip()]
    if write_sidecar is not None:
        _write_form(write_sidecar, given, names, rate, profile)
        return
    try:
        check_output_folder(out, overwrite)
    except SettingsError as error:
        raise typer.BadParameter(str(error), param_hint="--out") from error
    from sigkit.interruption import end_when_asked
    from sigkit.screen.screen_archive import screen_archive

    end_when_asked()
    done = screen_archive(
        given, out, leads=names, sample_rate_Hz=rate, profile=profile, model=model, workers=workers,
        overwrite=overwrite,
    )  # fmt: skip
    typer.echo(
        f"{done.firings} firings on {done.captures} captures, {done.rejected} inputs rejected. "
        f"Page: {done.out / 'report.html'}"
    )
    if not done.model:
        typer.echo("sigkit: no condition model was available, so every condition is unknown", err=True)
    if done.captures == 0 or (strict and done.rejected):
        raise typer.Exit(1)


def _write_form(path: Path, what: list[str], leads: list[str], rate: float | None, profile: str) -> None:
    from sigkit.capture.open_captures import open_captures
    from sigkit.capture.sidecar import write_sidecar
    from sigkit.types.capture import Capture

    opened = list(open_captures(what, leads=leads, sample_rate_Hz=rate, profile=profile))
    write_sidecar(path, opened)
    captures = sum(isinstance(one, Capture) for one in opened)
    typer.echo(f"{path}: a form for {captures} captures; fill it in and put it beside them")
