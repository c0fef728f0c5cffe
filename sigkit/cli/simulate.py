"""``sigkit simulate``: simulated engines as capture files with their truth."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def simulate(
    out: Annotated[Path, typer.Argument(help="Folder to write; must not exist.")],
    engines: Annotated[int, typer.Option(min=1, help="Engines.")] = 3,
    firings: Annotated[int, typer.Option(min=1, help="Firings of each lead.")] = 8,
    seed: Annotated[int, typer.Option(help="Seed; the same seed gives the same files.")] = 1,
    file_format: Annotated[
        str, typer.Option("--format", help="npz, csv, wav, npy, hdf5, matlab, parquet or arrow.")
    ] = "npz",
    rate: Annotated[float | None, typer.Option(help="Sample rate in hertz; drawn by engine when not given.")] = None,
    bits: Annotated[int | None, typer.Option(min=8, max=16, help="Bits; drawn when not given.")] = None,
    ignition_type: Annotated[str, typer.Option(help="shared_coil or coil_on_plug; drawn when not given.")] = "",
    condition: Annotated[str, typer.Option(help="Only this condition on faulty leads.")] = "",
    recording: Annotated[str, typer.Option(help="continuous or sweeps; drawn when not given.")] = "",
    workers: Annotated[int, typer.Option(min=0, help="Processes; 0 is one a core.")] = 0,
) -> None:
    """Simulate engines (circuits integrated in time) and write captures, captures.csv and truth.parquet.

    Example: sigkit simulate made --engines 2 --rate 200000
    """
    from typing import Any

    from sigkit.capture.write_capture import WRITERS
    from sigkit.errors import SettingsError
    from sigkit.simulate.simulated_capture import simulate_captures
    from sigkit.simulate.study_recipe import StudyRecipe

    if out.exists():
        raise SettingsError(f"{out} exists already; choose another folder")
    # A file is called csv as in `dataset export`; the reader and writer of it are called delimited. Both words serve.
    file_format = "delimited" if file_format == "csv" else file_format
    if file_format not in WRITERS:
        raise SettingsError(f"unknown format {file_format!r}; known: csv, {', '.join(WRITERS)}")
    settings: dict[str, Any] = {"engines": engines, "firings_per_lead": firings}
    if rate is not None:
        settings["sample_rates_Hz"] = (float(rate),)
    if bits is not None:
        settings["bits"] = (bits,)
    if ignition_type:
        settings["ignition_types"] = (ignition_type,)
    if condition:
        settings["conditions"] = (condition,)
    if recording:
        settings["recordings"] = (recording,)
    made = simulate_captures(StudyRecipe(**settings), seed, workers=workers, progress="simulating")
    _write(out, made, file_format)
    typer.echo(f"{out}: {len(made)} captures, {sum(len(one.truth['capture']) for one in made)} true firings by channel")


def _write(out: Path, made: list, file_format: str) -> None:
    """Write everything into a temporary sibling that becomes the folder at the end."""
    import os
    import shutil
    import tempfile

    from sigkit.capture.sidecar import write_sidecar
    from sigkit.capture.write_capture import WRITERS, write_capture
    from sigkit.simulate.simulated_capture import stack_truth
    from sigkit.simulate.write_truth import write_truth

    ending = WRITERS[file_format][2][0]
    out.parent.mkdir(parents=True, exist_ok=True)
    work = Path(tempfile.mkdtemp(prefix=f".{out.name}.unfinished-", dir=out.parent))
    try:
        named = []
        for one in made:
            name = one.capture.name.replace("#", "_") + ending
            write_capture(one.capture, work / name, file_format)
            named.append(one.capture.with_(name=name, recording=name, sweep=0))
        write_sidecar(work / "captures.csv", named)
        truth, intervals = stack_truth(made)
        names = {one.capture.name: new.name for one, new in zip(made, named, strict=True)}
        write_truth(work / "truth.parquet", truth, names)
        write_truth(work / "truth_intervals.parquet", intervals, names)
        os.chmod(work, 0o755)
        os.replace(work, out)
    finally:
        shutil.rmtree(work, ignore_errors=True)
