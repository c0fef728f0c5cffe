"""``sigkit train``: a condition model from simulated engines."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def train(
    out: Annotated[Path, typer.Option("--out", help="Folder that gets the model folder.")] = Path("models"),
    name: Annotated[str, typer.Option(help="Name of the model.")] = "condition",
    version: Annotated[str, typer.Option(help="Version of the model.")] = "0.2.0",
    engines: Annotated[int, typer.Option(min=5, help="Simulated engines to fit on.")] = 400,
    seed: Annotated[int, typer.Option(help="Seed.")] = 20_260_777,
    workers: Annotated[int, typer.Option(min=0, help="Processes; 0 is one a core.")] = 0,
) -> None:
    """Train, calibrate and evaluate a condition model on simulated engines.

    Example: sigkit train --engines 5 --out my-models
    """
    from sigkit.classify.model_card import model_card
    from sigkit.classify.model_store import save_model
    from sigkit.classify.train_conditions import TrainingRecipe, train_conditions
    from sigkit.errors import ModelError

    folder = out / f"{name}-{version}"
    if folder.exists():
        raise ModelError(f"{folder} exists already; choose another --version")
    fifth = max(2, engines // 5)
    recipe = TrainingRecipe(name, version, seed, engines, fifth, fifth, max(2, engines * 3 // 10))
    pipeline, described, evaluation = train_conditions(recipe, workers, progress=True)
    save_model(pipeline, folder, described, evaluation, model_card(described, evaluation))
    typer.echo(f"{folder}: macro-F1 {evaluation['macro_f1']:.3f} on {evaluation['engines']} unseen simulated engines")
