"""A protocol: what is measured on which data, written down before any result."""

from __future__ import annotations

import hashlib
import tomllib
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

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
#: Splits a protocol may draw, in order of their seeds.
SPLITS = ("train", "develop", "test")
_KNOWN = {"name", "task", "title", "matching", "data", "baselines", "settings"}


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
        ``folder``, a stored data set.
    baselines : tuple of str
        Plug-ins that compete beside the built-in ones; those that are not installed are left out by name.
    settings : dict
        Further numbers of the task, such as ``detector``, the plug-in that says where firings are.
    content_hash : str
        SHA-256 of the protocol file.
    data_hash : str
        SHA-256 of the data section: protocols with the same section share one simulated data set.
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

    @property
    def group(self) -> str:
        """Group of plug-ins that compete."""
        return TASKS[self.task]


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
        When there is no such protocol, it is not valid TOML, or an entry is unknown, missing or out of range.
    """
    path = Path(name_or_path)
    if path.suffix != ".toml":
        path = shipped_protocols() / f"{name_or_path}.toml"
    if not path.is_file():
        raise SettingsError(
            f"no protocol {str(name_or_path)!r}; known: {', '.join(protocol_names()) or 'none'}, or a .toml file"
        )
    raw = path.read_bytes()
    try:
        told = tomllib.loads(raw.decode("utf-8"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise SettingsError(f"{path}: not a valid TOML file: {error}") from None
    unknown = sorted(set(told) - _KNOWN)
    if unknown:
        raise SettingsError(f"{path}: unknown entry {unknown[0]!r}; known: {', '.join(sorted(_KNOWN))}")
    for needed in ("name", "task", "data"):
        if needed not in told:
            raise SettingsError(f"{path}: the entry {needed!r} is missing")
    if told["task"] not in TASKS:
        raise SettingsError(f"{path}: unknown task {told['task']!r}; known: {', '.join(TASKS)}")
    data = told["data"]
    if "folder" not in data:
        engines = data.get("engines", {})
        wrong = [split for split in engines if split not in SPLITS]
        if wrong or any(int(engines.get(split, 0)) < 1 for split in ("develop", "test")):
            raise SettingsError(
                f"{path}: [data.engines] needs develop and test of at least 1 engine (and train where "
                f"the task learns), not {engines}"
            )
    tolerance_ms = float(told.get("matching", {}).get("tolerance_ms", 1.0))
    if not 0.0 < tolerance_ms <= 10.0:
        raise SettingsError(f"{path}: tolerance_ms is {tolerance_ms}; it must lie between 0 and 10")
    section = repr(_sorted(data)).encode()
    return Protocol(
        str(told["name"]),
        str(told["task"]),
        str(told.get("title", told["name"])),
        tolerance_ms * 1e-3,
        data,
        tuple(told.get("baselines", ())),
        dict(told.get("settings", {})),
        hashlib.sha256(raw).hexdigest(),
        hashlib.sha256(section).hexdigest(),
    )


def _sorted(value: Any) -> Any:
    return {key: _sorted(value[key]) for key in sorted(value)} if isinstance(value, dict) else value
