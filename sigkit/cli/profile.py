"""``sigkit profile``: records of how captures were made."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

app = typer.Typer(add_completion=False, rich_markup_mode=None, no_args_is_help=True,
                  help="Make, show and list profiles. Example: sigkit profile list")  # fmt: skip


@app.command()
def new(
    name: Annotated[str, typer.Argument(help="Name of the profile.")],
    engine: Annotated[str, typer.Option(help="Engine its captures belong to.")] = "",
    ignition_type: Annotated[str, typer.Option(help="shared_coil, coil_on_plug or distributor.")] = "",
    cylinders: Annotated[str, typer.Option(help="Cylinder of each channel, with commas.")] = "",
    firing_order: Annotated[str, typer.Option(help="Cylinders in firing order, with commas.")] = "",
    shared_coil_pairs: Annotated[str, typer.Option(help="Pairs such as 1-4,2-3.")] = "",
    pickup_ratio: Annotated[float | None, typer.Option(help="Volts at the spark per volt at the pickup.")] = None,
    full_scale: Annotated[float | None, typer.Option(help="Volts of full scale.")] = None,
    match_capture: Annotated[str, typer.Option(help="Pattern of capture names it is found by.")] = "",
    match_channels: Annotated[int | None, typer.Option(help="Number of channels a capture must have.")] = None,
    folder: Annotated[Path | None, typer.Option(help="Where to write; your profile folder by default.")] = None,
) -> None:
    """Write a profile. Example: sigkit profile new heron --cylinders 1,2,3,4 --shared-coil-pairs 1-4,2-3"""
    from sigkit.capture.profile import ENDING, Profile, profile_folder, read_profile, write_profile
    from sigkit.errors import ProfileError

    def parts(text: str) -> tuple[str, ...]:
        return tuple(part.strip() for part in text.split(",") if part.strip())

    pairs = tuple(tuple(end.strip() for end in pair.split("-")) for pair in parts(shared_coil_pairs))
    path = (folder or profile_folder()) / f"{name}{ENDING}"
    if path.exists():
        raise ProfileError(f"{path} exists already; choose another name or edit it")
    profile = Profile(name, engine, ignition_type, parts(cylinders), (), parts(firing_order), pairs, pickup_ratio,
                      full_scale, match_capture, "", match_channels)  # fmt: skip
    write_profile(profile, path)
    try:
        read_profile(path)
    except ProfileError:
        path.unlink()
        raise
    typer.echo(str(path))


@app.command()
def show(name: Annotated[str, typer.Argument(help="Name of the profile.")]) -> None:
    """Print a profile. Example: sigkit profile show heron"""
    from sigkit.capture.profile import ENDING, profile_folder
    from sigkit.errors import ProfileError

    path = profile_folder() / f"{name}{ENDING}"
    if not path.is_file():
        raise ProfileError(f"there is no profile {name!r} in {profile_folder()}; see sigkit profile list")
    typer.echo(path.read_text(encoding="utf-8").rstrip())


@app.command("list")
def list_all() -> None:
    """List your profiles. Example: sigkit profile list"""
    from sigkit.capture.profile import Profile, list_profiles, profile_folder

    found = list_profiles([profile_folder()])
    for path, profile in found:
        if isinstance(profile, Profile):
            typer.echo(f"{profile.name}: {profile.ignition_type or 'any ignition'}, {path}")
        else:
            typer.echo(f"{path}: cannot be used: {profile}", err=True)
    if not found:
        typer.echo(f"no profile in {profile_folder()}")
