"""Profiles: how captures were made, kept as TOML and found by what they match."""

from __future__ import annotations

import os
import sys
import tomllib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from fnmatch import fnmatch
from pathlib import Path
from typing import Any

from sigkit.capture.atomic_file import atomic_file
from sigkit.capture.sidecar import IGNITION_TYPES
from sigkit.errors import ProfileError
from sigkit.types.capture import Capture
from sigkit.types.channel import CHANNEL_KINDS

ENDING = ".profile.toml"
_TEXTS = ("name", "engine", "ignition_type", "match_capture", "match_engine", "note")
_LISTS = ("cylinders", "firing_order", "channel_kinds")
_NUMBERS = ("pickup_ratio", "full_scale_V")


@dataclass(frozen=True)
class Profile:
    """One profile.

    Attributes
    ----------
    name : str
    engine : str
        Engine its captures belong to.
    ignition_type : str
        ``"shared_coil"``, ``"coil_on_plug"``, ``"distributor"`` or ``""``.
    cylinders : tuple of str
        Cylinder (lead) of each channel, in order.
    channel_kinds : tuple of str
        Kind of each channel, in order; one entry speaks for all.
    firing_order : tuple of str
    shared_coil_pairs : tuple of tuple of str
    pickup_ratio, full_scale_V : float or None
    match_capture : str
        Pattern of capture names (``*`` and ``?``) the profile is found by; ``""`` for none.
    match_engine : str
        Pattern of engine names; ``""`` for none.
    match_channels : int or None
        Number of channels a capture must have.
    note : str
    """

    name: str
    engine: str = ""
    ignition_type: str = ""
    cylinders: tuple[str, ...] = ()
    channel_kinds: tuple[str, ...] = ()
    firing_order: tuple[str, ...] = ()
    shared_coil_pairs: tuple[tuple[str, ...], ...] = ()
    pickup_ratio: float | None = None
    full_scale_V: float | None = None
    match_capture: str = ""
    match_engine: str = ""
    match_channels: int | None = None
    note: str = ""


def profile_folder() -> Path:
    """Return the folder of the person's own profiles (``SIGKIT_PROFILES`` overrides it)."""
    given = os.environ.get("SIGKIT_PROFILES")
    if given:
        return Path(given)
    if sys.platform == "win32":
        base = Path(os.environ.get("APPDATA", Path.home()))
    else:
        base = Path(os.environ.get("XDG_CONFIG_HOME", Path.home() / ".config"))
    return base / "sigkit" / "profiles"


def read_profile(path: str | Path) -> Profile:
    """Read and check one profile.

    Raises
    ------
    ProfileError
        Names the file, the key, and what was expected.
    """
    path = Path(path)
    try:
        held = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as fault:
        raise ProfileError(f"{path}: cannot be read as TOML: {fault}") from fault
    known = set(Profile.__dataclass_fields__)
    unknown = sorted(set(held) - known)
    if unknown:
        raise ProfileError(f"{path}: unknown key {', '.join(unknown)}; known: {', '.join(sorted(known))}")
    values: dict[str, Any] = {"name": path.name.removesuffix(ENDING).removesuffix(".toml")}
    for key, value in held.items():
        values[key] = _checked(path, key, value)
    return Profile(**values)


def _checked(path: Path, key: str, value: Any) -> Any:
    if key in _TEXTS:
        if not isinstance(value, str):
            raise ProfileError(f"{path}: {key} must be a text, not {value!r}")
        if key == "ignition_type" and value not in ("", *IGNITION_TYPES):
            raise ProfileError(f"{path}: ignition_type is {value!r}; expected one of {', '.join(IGNITION_TYPES)}")
        return value
    if key in _LISTS:
        if not isinstance(value, list):
            raise ProfileError(f"{path}: {key} must be a list, not {value!r}")
        texts = tuple(str(item) for item in value)
        wrong = [text for text in texts if key == "channel_kinds" and text not in CHANNEL_KINDS]
        if wrong:
            raise ProfileError(f"{path}: unknown channel kind {wrong[0]!r}; expected one of {', '.join(CHANNEL_KINDS)}")
        return texts
    if key in _NUMBERS:
        if isinstance(value, bool) or not isinstance(value, (int, float)) or value <= 0:
            raise ProfileError(f"{path}: {key} must be a positive number, not {value!r}")
        return float(value)
    if key == "match_channels":
        if isinstance(value, bool) or not isinstance(value, int) or value < 1:
            raise ProfileError(f"{path}: match_channels must be a whole number from 1 on, not {value!r}")
        return value
    pairs = isinstance(value, list) and all(isinstance(pair, list) and len(pair) == 2 for pair in value)
    if not pairs:
        raise ProfileError(f"{path}: shared_coil_pairs must be a list of pairs such as [[1, 4], [2, 3]]")
    return tuple(tuple(str(item) for item in pair) for pair in value)


def list_profiles(folders: Iterable[str | Path]) -> list[tuple[Path, Profile | ProfileError]]:
    """Return the profiles in some folders, sorted by path; a broken one comes with its error."""
    result: list[tuple[Path, Profile | ProfileError]] = []
    for folder in folders:
        if Path(folder).is_dir():
            for path in sorted(Path(folder).glob("*" + ENDING)):
                try:
                    result.append((path, read_profile(path)))
                except ProfileError as error:
                    result.append((path, error))
    return result


def find_profile(capture: Capture, profiles: Sequence[Profile], wanted: str = "") -> Profile | None:
    """Return the profile named, else the first that matches the capture by its own patterns.

    Raises
    ------
    ProfileError
        When the profile named does not exist.
    """
    name = wanted or capture.profile
    if name:
        for profile in profiles:
            if profile.name == name:
                return profile
        known = ", ".join(sorted(profile.name for profile in profiles)) or "none"
        raise ProfileError(f"{capture.name}: there is no profile {name!r}; known: {known}")
    for profile in profiles:
        patterns = (profile.match_capture, profile.match_engine)
        if not any(patterns) and profile.match_channels is None:
            continue
        fits = (
            (not patterns[0] or fnmatch(capture.name, patterns[0]))
            and (not patterns[1] or fnmatch(capture.engine, patterns[1]))
            and profile.match_channels in (None, len(capture.channels))
        )
        if fits:
            return profile
    return None


def apply_profile(capture: Capture, profile: Profile) -> Capture:
    """Return the capture with what the profile says; what the file or sidecar says already stays."""
    channels = []
    for position, channel in enumerate(capture.channels):
        changes: dict[str, Any] = {}
        kinds = profile.channel_kinds
        kind = kinds[0] if len(kinds) == 1 else (kinds[position] if position < len(kinds) else "")
        if kind and channel.kind == "unknown":
            changes["kind"] = kind
        if position < len(profile.cylinders) and not channel.cylinder:
            changes["cylinder"] = changes["lead"] = profile.cylinders[position]
        if profile.pickup_ratio and channel.pickup_ratio is None:
            changes["pickup_ratio"] = profile.pickup_ratio
        full = profile.full_scale_V
        if full and not channel.unit and channel.full_scale is not None:
            changes.update(scale=channel.scale * full, unit="V", full_scale=(-full, full))
        channels.append(replace(channel, **changes) if changes else channel)
    return capture.with_(
        channels=tuple(channels), profile=profile.name, engine=profile.engine or capture.engine,
        ignition_type=capture.ignition_type or profile.ignition_type,
        firing_order=capture.firing_order or profile.firing_order,
        shared_coil_pairs=capture.shared_coil_pairs or profile.shared_coil_pairs,
    )  # fmt: skip


def write_profile(profile: Profile, path: str | Path) -> None:
    """Write a profile; the file is complete or absent. TOML is written by hand: the standard library only reads."""
    lines = []
    for key in Profile.__dataclass_fields__:
        value = getattr(profile, key)
        if value in ("", (), None):
            continue
        lines.append(f"{key} = {_toml(value)}")
    Path(path).parent.mkdir(parents=True, exist_ok=True)
    with atomic_file(path) as temporary:
        temporary.write_text("\n".join(lines) + "\n", encoding="utf-8")


def _toml(value: Any) -> str:
    if isinstance(value, str):
        escaped = value.replace("\\", "\\\\").replace('"', '\\"')
        return f'"{escaped}"'
    if isinstance(value, tuple):
        return "[" + ", ".join(_toml(item) for item in value) + "]"
    return repr(value)
