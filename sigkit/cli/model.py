"""``sigkit model``: show and verify condition models."""

from __future__ import annotations

from typing import Annotated

import typer

app = typer.Typer(add_completion=False, rich_markup_mode=None, no_args_is_help=True,
                  help="Show and verify condition models. Example: sigkit model show")  # fmt: skip

NAME = Annotated[str, typer.Argument(help="Model name or folder; the newest shipped one by default.")]


def _chosen(name: str) -> str:
    from sigkit.classify.model_store import list_models
    from sigkit.errors import ModelError

    if name:
        return name
    shipped = list_models()
    if not shipped:
        raise ModelError("no model is shipped with this installation; give a folder, or run sigkit train")
    return shipped[-1]


@app.command()
def show(name: NAME = "") -> None:
    """Print the card of a model. Example: sigkit model show"""
    from sigkit.classify.model_store import find_model, verify_model

    folder = find_model(_chosen(name))
    verify_model(folder)
    typer.echo((folder / "card.md").read_text(encoding="utf-8"))


@app.command()
def verify(name: NAME = "") -> None:
    """Check files, checksums, trusted types and settings of a model. Example: sigkit model verify"""
    from sigkit.classify.model_store import load_model

    model = load_model(_chosen(name))
    typer.echo(f"{model.identifier}: sound, content {model.content_hash}")
