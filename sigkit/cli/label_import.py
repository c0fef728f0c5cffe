"""``sigkit label import``: hand readings made elsewhere become labels with their resolution."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def label_import(
    readings: Annotated[
        Path,
        typer.Argument(help="CSV: file, channel, time_s, cursor_1_s and cursor_2_s or burn_time_ms, resolution_ms; "
                            "condition, presentation, note if known."),
    ],
    dataset: Annotated[Path, typer.Option(help="Folder of the data set.")],
    reader: Annotated[str, typer.Option(help="Opaque id of who read, as r03; no names of persons.")],
) -> None:  # fmt: skip
    """Take over hand readings made elsewhere, as labels of origin imported. All of them or none.

    Example: sigkit label import readings.csv --dataset ferry --reader r03
    """
    from sigkit.corpus.dataset import Dataset
    from sigkit.corpus.import_readings import import_readings

    count = import_readings(Dataset.open(dataset), readings, reader)
    typer.echo(f"{dataset}: {count} readings of {reader} (origin imported)")
