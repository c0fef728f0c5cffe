"""Plug-ins by entry point: readers, detectors, locators, features and classifiers, ours and others' alike.

A package offers a plug-in by an entry point in one of the groups ``sigkit.readers``,
``sigkit.detectors``, ``sigkit.locators``, ``sigkit.features``, ``sigkit.classifiers``, ``sigkit.role_judges`` and
``sigkit.screeners``; sigkit's own are registered the same way in its project file. What a plug-in must offer is in
`sigkit.contracts`.
"""

from __future__ import annotations

from dataclasses import dataclass
from importlib.metadata import EntryPoint, entry_points
from typing import Any

from sigkit.errors import PluginError

#: Group -> methods its contract asks for (`sigkit.contracts`).
GROUPS = {
    "readers": ("sniff", "read"),
    "detectors": ("detect",),
    "locators": ("locate",),
    "features": ("fit", "transform", "get_feature_names_out"),
    "classifiers": ("judge",),
    "role_judges": ("judge_roles",),
    "screeners": ("score_captures",),
}


@dataclass(frozen=True)
class Plugin:
    """One registered plug-in, usable or not.

    Attributes
    ----------
    group : str
        A key of `GROUPS`.
    name : str
    target : str
        Where the object lives, ``module:attribute``.
    distribution : str
        Package that offers it, with its version; ``""`` when not known.
    problem : str
        Why it cannot be used, ``""`` when it can.
    """

    group: str
    name: str
    target: str
    distribution: str
    problem: str = ""


def names(group: str) -> tuple[str, ...]:
    """Return the names registered in a group, sorted, without loading anything.

    Parameters
    ----------
    group : str
        A key of `GROUPS`, with or without the prefix ``sigkit.``.

    Raises
    ------
    sigkit.errors.PluginError
        When there is no such group, or two packages use one name in it.

    Examples
    --------
    >>> "block_activity" in names("detectors")
    True
    """
    return tuple(_by_name(_short(group)))


def has(group: str, name: str) -> bool:
    """Tell whether a group has a plug-in of this name, usable or not, without loading anything."""
    return name in _entries(_short(group))


def load(group: str, name: str) -> Any:
    """Return the object registered under a name; for all groups a class.

    A clash of other names does not matter here.

    Parameters
    ----------
    group : str
        A key of `GROUPS`, with or without the prefix ``sigkit.``.
    name : str
        Registered name.

    Raises
    ------
    sigkit.errors.PluginError
        When the group or the name is unknown, the name clashes, the import fails, or the object lacks a
        method of its contract.
    """
    group = _short(group)
    found = _entries(group)
    if name not in found:
        known = ", ".join(sorted(found)) or "none"
        raise PluginError(f"no plug-in called {name!r} in sigkit.{group}; known: {known}")
    if len(found[name]) > 1:
        raise PluginError(_clash(group, name, found[name]))
    return _load_entry(group, found[name][0])


def plugins(group: str) -> tuple[Plugin, ...]:
    """Try to load every plug-in of a group and return all with their state; a broken one is never fatal.

    Two packages that use one name are both listed, each with the clash as its problem.

    Raises
    ------
    sigkit.errors.PluginError
        When there is no such group.
    """
    group = _short(group)
    listed = []
    for name, entries in sorted(_entries(group).items()):
        for entry in entries:
            problem = _clash(group, name, entries) if len(entries) > 1 else ""
            if not problem:
                try:
                    _load_entry(group, entry)
                except PluginError as error:
                    problem = str(error)
            listed.append(Plugin(group, name, entry.value, _distribution(entry), problem))
    return tuple(listed)


def _short(group: str) -> str:
    short = group.removeprefix("sigkit.")
    if short not in GROUPS:
        known = ", ".join(f"sigkit.{known}" for known in GROUPS)
        raise PluginError(f"no plug-in group called {group!r}; known: {known}")
    return short


def _entries(group: str) -> dict[str, list[EntryPoint]]:
    """Return the distinct entry points of a group by name.

    One package seen twice (an editable checkout beside a build folder, say) is one entry point.
    """
    found: dict[str, dict[tuple[str, str], EntryPoint]] = {}
    for entry in entry_points(group=f"sigkit.{group}"):
        package = entry.dist.name if entry.dist else ""
        found.setdefault(entry.name, {}).setdefault((package, entry.value), entry)
    return {name: list(entries.values()) for name, entries in found.items()}


def _by_name(group: str) -> dict[str, EntryPoint]:
    found = _entries(group)
    for name, entries in found.items():
        if len(entries) > 1:
            raise PluginError(_clash(group, name, entries))
    return {name: found[name][0] for name in sorted(found)}


def _clash(group: str, name: str, entries: list[EntryPoint]) -> str:
    packages = [_distribution(entry) or "an unnamed package" for entry in entries]
    claims = " and ".join(f"{package} ({entry.value})" for package, entry in zip(packages, entries))
    return f"the name {name!r} in sigkit.{group} is claimed by {claims}; uninstall or rename one of them"


def _distribution(entry: EntryPoint) -> str:
    return f"{entry.dist.name} {entry.dist.version}" if entry.dist else ""


def _load_entry(group: str, entry: EntryPoint) -> Any:
    where = f"plug-in {entry.name!r} of sigkit.{group} ({entry.value})"
    try:
        loaded = entry.load()
    except (Exception, SystemExit) as error:  # a stranger's import may fail in any way, or end the process
        raise PluginError(f"{where} cannot be imported: {type(error).__name__}: {error}") from error
    lacking = [method for method in GROUPS[group] if not callable(getattr(loaded, method, None))]
    if lacking:
        raise PluginError(f"{where} breaks its contract: it has no method {', '.join(lacking)}")
    return loaded
