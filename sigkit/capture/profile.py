"""Profiles: how captures were made, kept as TOML and found by what they match."""

from __future__ import annotations

import json
import math
import os
import re
import sys
import tomllib
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sigkit.capture.atomic_file import atomic_file
from sigkit.capture.sidecar import IGNITION_TYPES
from sigkit.errors import ProfileError
from sigkit.types.channel import CHANNEL_KINDS

ENDING = ".profile.toml"
_TEXTS = ("name", "engine", "ignition_type", "match_capture", "match_engine", "note")
_LISTS = ("cylinders", "firing_order", "channel_kinds")
_NUMBERS = ("pickup_ratio", "pickup_time_constant_ms", "full_scale_V")
#: May be infinite: what passes zero frequency has no droop.
_MAY_BE_INFINITE = ("pickup_time_constant_ms",)
#: A name is also a file name.
_NAME = re.compile(r"[\w][\w .+-]{0,80}")


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
    pickup_time_constant_ms : float or None
        Of the pickup's high-pass: R (C1 + C2) of a capacitive clip; inf where it passes zero frequency.
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
    pickup_time_constant_ms: float | None = None
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
        values[key] = _checked(str(path), key, value)
    profile = Profile(**values)
    _check_together(str(path), profile)
    return profile


def check_profile(profile: Profile, where: str = "profile") -> None:
    """Check a profile made in memory by the rules of its file.

    Parameters
    ----------
    profile : Profile
    where : str
        For messages.

    Raises
    ------
    ProfileError
        Names the key, and what was expected.

    Examples
    --------
    >>> check_profile(Profile("heron", pickup_ratio=1000.0))
    """
    for key in Profile.__dataclass_fields__:
        value = getattr(profile, key)
        if value not in ("", (), None):
            plain = json.loads(json.dumps(value)) if isinstance(value, tuple) else value
            _checked(where, key, plain)
    _check_together(where, profile)


def _check_together(where: str, profile: Profile) -> None:
    if not _NAME.fullmatch(profile.name):
        raise ProfileError(f"{where}: the name {profile.name!r} must be letters, digits, blanks and . + - _ only, "
                           "because it is a file name too")  # fmt: skip
    known = set(profile.cylinders)
    paired = tuple(end for pair in profile.shared_coil_pairs for end in pair)
    for key, named in (("cylinders", profile.cylinders), ("firing_order", profile.firing_order),
                       ("shared_coil_pairs", paired)):  # fmt: skip
        twice = sorted({one for one in named if named.count(one) > 1})
        if twice:
            raise ProfileError(f"{where}: {key} names {', '.join(twice)} twice")
        foreign = [one for one in named if known and one not in known]
        if foreign:
            raise ProfileError(f"{where}: {key} names {', '.join(foreign)}, which is not among the cylinders "
                               f"{', '.join(profile.cylinders)}")  # fmt: skip


def _checked(path: str, key: str, value: Any) -> Any:
    if key in _TEXTS:
        if not isinstance(value, str):
            raise ProfileError(f"{path}: {key} must be a text, not {value!r}")
        if key == "ignition_type" and value not in ("", *IGNITION_TYPES):
            raise ProfileError(f"{path}: ignition_type is {value!r}; expected one of {', '.join(IGNITION_TYPES)}")
        return value
    if key in _LISTS:
        if not isinstance(value, list):
            raise ProfileError(f"{path}: {key} must be a list, not {value!r}")
        if any(isinstance(item, (list, dict, bool)) for item in value):
            raise ProfileError(f"{path}: {key} must be a list of names, not {value!r}")
        texts = tuple(str(item) for item in value)
        wrong = [text for text in texts if key == "channel_kinds" and text not in CHANNEL_KINDS]
        if wrong:
            raise ProfileError(f"{path}: unknown channel kind {wrong[0]!r}; expected one of {', '.join(CHANNEL_KINDS)}")
        return texts
    if key in _NUMBERS:
        if isinstance(value, bool) or not isinstance(value, (int, float)) or not (
            value > 0 and (math.isfinite(value) or key in _MAY_BE_INFINITE)
        ):
            wanted = "a positive number" + (" or inf" if key in _MAY_BE_INFINITE else "")
            raise ProfileError(f"{path}: {key} must be {wanted}, not {value!r}")
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


def write_profile(profile: Profile, path: str | Path) -> None:
    """Check and write a profile; the file is complete or absent.

    TOML is written by hand: the standard library only reads it.

    Raises
    ------
    ProfileError
        When a value cannot be used.
    """
    check_profile(profile, str(path))
    lines = []
    for key in Profile.__dataclass_fields__:
        value = getattr(profile, key)
        if value not in ("", (), None):
            lines.append(f"{key} = {_toml(value)}")
    Path(path).parent.mkdir(parents=True, exist_ok=True)
    with atomic_file(path) as temporary:
        temporary.write_text("\n".join(lines) + "\n", encoding="utf-8")


def _toml(value: Any) -> str:
    if isinstance(value, str):
        # JSON escapes are TOML escapes, but for the delete character, which TOML wants escaped too (TOML 1.0, string).
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, tuple):
        return "[" + ", ".join(_toml(item) for item in value) + "]"
    return repr(value)
