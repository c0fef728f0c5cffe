"""``sigkit info``: what is installed and what works."""

from __future__ import annotations

from typing import Annotated

import typer


def info(json: Annotated[bool, typer.Option("--json", help="Print as JSON.")] = False) -> None:
    """Show versions, plug-ins (broken ones with the reason), models and demo data.

    Example: sigkit info --json
    """
    from sigkit import registry
    from sigkit.classify.model_store import find_model, list_models, verify_model
    from sigkit.errors import SigkitError
    from sigkit.provenance import versions
    from sigkit.shipped import demo_archive

    try:
        demo = str(demo_archive())
    except SigkitError as error:
        demo = f"absent: {error}"
    listed = {
        group: {one.name: one.problem or "ok" for one in registry.plugins(group)} for group in registry.GROUPS
    }
    models = {}
    for name in list_models():
        try:
            verify_model(find_model(name))
            models[name] = "sound"
        except SigkitError as error:
            models[name] = str(error)
    if json:
        import json as json_module

        told = {"versions": versions(), "plugins": listed, "models": models, "demo": demo}
        typer.echo(json_module.dumps(told, indent=2))
        return
    for heading, rows in (("versions", versions()), *((f"plug-ins: {g}", r) for g, r in listed.items())):
        typer.echo(heading)
        for name, value in rows.items():
            typer.echo(f"  {name}: {value}")
    typer.echo("models")
    for name, state in models.items():
        typer.echo(f"  {name}: {state}")
    if not models:
        typer.echo("  none")
    typer.echo(f"demo archive\n  {demo}")
