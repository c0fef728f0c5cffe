"""``sigkit profile``: records of how captures were made."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

app = typer.Typer(add_completion=False, rich_markup_mode=None, no_args_is_help=True,
                  help="Make, show and list profiles. Example: sigkit profile list")  # fmt: skip

Beside = Annotated[
    list[Path] | None, typer.Option("--folder", help="Look in this folder of captures as well; may be repeated.")
]


@app.command()
def new(
    name: Annotated[str, typer.Argument(help="Name of the profile.")],
    engine: Annotated[str, typer.Option(help="Engine its captures belong to.")] = "",
    ignition_type: Annotated[str, typer.Option(help="shared_coil, coil_on_plug or distributor.")] = "",
    cylinders: Annotated[str, typer.Option(help="Cylinder of each channel, with commas.")] = "",
    channel_kinds: Annotated[str, typer.Option(help="Kind of each channel, with commas; one speaks for all.")] = "",
    firing_order: Annotated[str, typer.Option(help="Cylinders in firing order, with commas.")] = "",
    shared_coil_pairs: Annotated[str, typer.Option(help="Pairs such as 1-4,2-3.")] = "",
    pickup_ratio: Annotated[float | None, typer.Option(help="Volts at the spark per volt at the pickup.")] = None,
    pickup_time_constant_ms: Annotated[
        float | None, typer.Option(help="R (C1 + C2) of a capacitive clip; inf if it passes zero frequency.")
    ] = None,
    full_scale: Annotated[float | None, typer.Option(help="Volts of full scale.")] = None,
    match_capture: Annotated[str, typer.Option(help="Pattern (* and ?) of capture names it is found by.")] = "",
    match_engine: Annotated[str, typer.Option(help="Pattern (* and ?) of engines it is found by.")] = "",
    match_channels: Annotated[int | None, typer.Option(help="Number of channels a capture must have.")] = None,
    note: Annotated[str, typer.Option(help="Remark.")] = "",
    folder: Annotated[Path | None, typer.Option(help="Where to write; your profile folder by default.")] = None,
) -> None:
    """Write a profile. Example: sigkit profile new heron --cylinders 1,2,3,4 --shared-coil-pairs 1-4,2-3"""
    from sigkit.capture.profile import ENDING, Profile, check_profile, profile_folder, write_profile
    from sigkit.errors import ProfileError

    def parts(text: str) -> tuple[str, ...]:
        return tuple(part.strip() for part in text.split(",") if part.strip())

    pairs = tuple(tuple(end.strip() for end in pair.split("-")) for pair in parts(shared_coil_pairs))
    profile = Profile(
        name, engine=engine, ignition_type=ignition_type, cylinders=parts(cylinders),
        channel_kinds=parts(channel_kinds), firing_order=parts(firing_order), shared_coil_pairs=pairs,
        pickup_ratio=pickup_ratio, pickup_time_constant_ms=pickup_time_constant_ms, full_scale_V=full_scale,
        match_capture=match_capture, match_engine=match_engine, match_channels=match_channels, note=note,
    )  # fmt: skip
    check_profile(profile)
    path = (folder or profile_folder()) / f"{name}{ENDING}"
    if path.exists():
        raise ProfileError(f"{path} exists already; choose another name or edit it")
    write_profile(profile, path)
    typer.echo(str(path))


@app.command()
def show(name: Annotated[str, typer.Argument(help="Name of the profile.")], folder: Beside = None) -> None:
    """Print a profile. Example: sigkit profile show heron"""
    from sigkit.capture.profile import Profile, list_profiles, profile_folder
    from sigkit.errors import ProfileError

    found = list_profiles([*(folder or ()), profile_folder()])
    for path, profile in found:
        if isinstance(profile, Profile) and profile.name == name:
            typer.echo(path.read_text(encoding="utf-8").rstrip())
            return
    known = ", ".join(sorted(one.name for _, one in found if isinstance(one, Profile))) or "none"
    raise ProfileError(f"there is no profile {name!r}; known: {known}. See sigkit profile list")


@app.command("list")
def list_all(folder: Beside = None) -> None:
    """List your profiles. Example: sigkit profile list"""
    from sigkit.capture.profile import Profile, list_profiles, profile_folder

    found = list_profiles([*(folder or ()), profile_folder()])
    for path, profile in found:
        if isinstance(profile, Profile):
            typer.echo(f"{profile.name}: {profile.ignition_type or 'any ignition'}, {path}")
        else:
            typer.echo(f"{path}: cannot be used: {profile}", err=True)
    if not found:
        typer.echo(f"no profile in {profile_folder()}")
