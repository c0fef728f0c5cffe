"""A protocol: what is measured on which data, written down before any result."""

from __future__ import annotations

import hashlib
import tomllib
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from sigkit.bench.check_protocol import TOLERANCE_MS, check_protocol
from sigkit.errors import SettingsError
from sigkit.shipped import shipped_protocols

#: Task -> group of plug-ins that compete in it.
TASKS = {
    "firing_detection": "detectors",
    "polarity": "detectors",
    "burn_time": "locators",
    "burn_voltage": "locators",
    "role": "role_judges",
    "condition": "classifiers",
    "screening_rank": "screeners",
}


@dataclass(frozen=True)
class Protocol:
    """One protocol.

    Attributes
    ----------
    name, task, title : str
        ``task`` is a key of `TASKS`.
    tolerance_s : float
        A prediction is a true firing when its switching-off lies this near, seconds.
    data : dict
        ``engines`` (split -> number) and ``recipe`` (entries of `sigkit.simulate.study_recipe.StudyRecipe`); or
        ``folder``, a stored data set (``demo`` is the shipped one).
    baselines : tuple of str
        Plug-ins that compete beside the built-in ones; those that are not installed are left out by name.
    settings : dict
        Further numbers of the task, such as ``detector``, the plug-in that says where firings are.
    content_hash : str
        SHA-256 of the protocol file.
    data_hash : str
        SHA-256 of the data section: protocols with the same section share one simulated data set.
    file : str
        The file as it was named, ``""`` for a protocol that comes with sigkit.
    """

    name: str
    task: str
    title: str
    tolerance_s: float
    data: dict[str, Any]
    baselines: tuple[str, ...] = ()
    settings: dict[str, Any] = field(default_factory=dict)
    content_hash: str = ""
    data_hash: str = ""
    file: str = ""

    @property
    def group(self) -> str:
        """Group of plug-ins that compete."""
        return TASKS[self.task]

    @property
    def called(self) -> str:
        """What ``sigkit bench run`` is given to run it: its name, or its file."""
        return self.file or self.name


def protocol_names() -> tuple[str, ...]:
    """Return the names of the protocols that come with sigkit, sorted."""
    names = []
    for path in sorted(shipped_protocols().glob("*.toml")):
        if "task" in tomllib.loads(path.read_text(encoding="utf-8")):
            names.append(path.stem)
    return tuple(names)


def read_protocol(name_or_path: str | Path) -> Protocol:
    """Read a protocol by name or from a file.

    Raises
    ------
    SettingsError
        When there is no such protocol, it is not valid TOML, or an entry is unknown, missing or out of range,
        or a file takes the name of a protocol that comes with sigkit.
    """
    path = Path(name_or_path)
    shipped = path.suffix != ".toml"
    if shipped:
        path = shipped_protocols() / f"{name_or_path}.toml"
    if not path.is_file():
        raise SettingsError(
            f"no protocol {str(name_or_path)!r}; known: {', '.join(protocol_names()) or 'none'}, or a .toml file"
        )
    raw = path.read_bytes()
    try:
        told = tomllib.loads(raw.decode("utf-8-sig"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise SettingsError(f"{path}: not a valid TOML file: {error}") from None
    try:
        check_protocol(told, TASKS)
    except SettingsError as fault:
        raise SettingsError(f"{path}: {fault}") from None
    content = hashlib.sha256(raw).hexdigest()
    if not shipped:
        _refuse_taken_name(path, told["name"], content)
    data = dict(told["data"])
    return Protocol(
        told["name"],
        told["task"],
        told.get("title", told["name"]),
        float(told.get("matching", {}).get("tolerance_ms", TOLERANCE_MS)) * 1e-3,
        data,
        tuple(told.get("baselines", ())),
        dict(told.get("settings", {})),
        content,
        hashlib.sha256(repr(_sorted(data)).encode()).hexdigest(),
        "" if shipped else str(name_or_path),
    )


def _refuse_taken_name(path: Path, name: str, content: str) -> None:
    """Refuse a file that calls itself like a protocol of ours but is another: its runs would replace ours."""
    ours = shipped_protocols() / f"{name}.toml"
    if name in protocol_names() and hashlib.sha256(ours.read_bytes()).hexdigest() != content:
        raise SettingsError(f"{path}: name is {name!r}, which is a protocol of sigkit; give it another name")


def _sorted(value: Any) -> Any:
    return {key: _sorted(value[key]) for key in sorted(value)} if isinstance(value, dict) else value
