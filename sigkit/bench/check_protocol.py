"""What a protocol file may say: every entry known and of its kind, so that a slip of the pen is told, not ignored."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable, Mapping
from dataclasses import fields
from typing import Any

from sigkit.errors import SettingsError
from sigkit.simulate.study_recipe import StudyRecipe

#: Splits a protocol may draw, in order of their seeds.
SPLITS = ("train", "develop", "test")
#: Names become parts of file names.
PLAIN_NAME = re.compile(r"[A-Za-z0-9_][A-Za-z0-9_-]*")
TOLERANCE_MS, LARGEST_TOLERANCE_MS = 1.0, 10.0
#: Helpers that a protocol may name; plug-ins that do what the algorithm judged does not do itself.
HELPERS = ("detector", "locator")
_TOP = ("name", "task", "title", "matching", "data", "baselines", "settings")
_RECIPE = tuple(one.name for one in fields(StudyRecipe) if one.name not in ("engines", "name"))


def check_protocol(told: Mapping[str, Any], tasks: Iterable[str]) -> None:
    """Refuse a protocol with an entry that is missing, unknown, or of another kind than expected.

    Parameters
    ----------
    told : mapping
        The file as parsed.
    tasks : iterable of str
        Tasks there are.

    Raises
    ------
    SettingsError
        Says which entry, what was found and what was expected; the caller adds the file.
    """
    _known(told, _TOP, "")
    for needed in ("name", "task", "data"):
        if needed not in told:
            raise SettingsError(f"the entry {needed!r} is missing; add it")
    for entry in ("name", "task", "title"):
        _of(told, entry, str, "a text in quotes")
    if not PLAIN_NAME.fullmatch(told["name"]):
        raise SettingsError(f"name is {told['name']!r}; expected letters, digits, _ and - only, as files are named so")
    if told["task"] not in tasks:
        raise SettingsError(f"task is {told['task']!r}; expected one of {', '.join(tasks)}")
    baselines = _of(told, "baselines", list, "a list of names") or []
    if not all(isinstance(one, str) for one in baselines):
        raise SettingsError(f"baselines is {baselines!r}; expected a list of names")
    matching = _table(told, "matching", ("tolerance_ms",))
    tolerance = matching.get("tolerance_ms", TOLERANCE_MS)
    if not _number(tolerance) or not 0.0 < tolerance <= LARGEST_TOLERANCE_MS:
        raise SettingsError(
            f"[matching] tolerance_ms is {tolerance!r}; expected a number above 0, at most {LARGEST_TOLERANCE_MS:g}"
        )
    settings = _table(told, "settings", HELPERS)
    for entry in settings:
        _of(settings, entry, str, "the name of a plug-in")
    _check_data(_table(told, "data", ("folder", "engines", "recipe")))


def _check_data(data: Mapping[str, Any]) -> None:
    if "folder" in data:
        if len(data) > 1:
            raise SettingsError(
                "[data] has folder and more; expected a stored data set or a simulated one"
            )
        if not _of(data, "folder", str, "a path in quotes"):
            raise SettingsError("[data] folder is empty; expected the folder of a data set, or demo")
        return
    engines = _table(data, "engines", SPLITS, "data.engines")
    wrong = [split for split, number in engines.items() if not isinstance(number, int) or isinstance(number, bool)]
    if wrong or any(engines.get(split, 0) < 1 for split in ("develop", "test")) or engines.get("train", 0) < 0:
        raise SettingsError(
            f"[data.engines] is {engines}; expected whole numbers, develop and test of at least 1 engine (and train "
            "where the task learns)"
        )
    recipe = _table(data, "recipe", _RECIPE, "data.recipe")
    entries: dict[str, Any] = {name: tuple(v) if isinstance(v, list) else v for name, v in recipe.items()}
    try:
        StudyRecipe(**entries)
    except (SettingsError, TypeError, ValueError) as fault:
        raise SettingsError(f"[data.recipe]: {fault}") from None


def _known(told: Mapping[str, Any], known: Iterable[str], table: str) -> None:
    for entry in told:
        if entry not in known:
            near = difflib.get_close_matches(entry, list(known), n=1)
            meant = f"; did you mean {near[0]!r}?" if near else ""
            raise SettingsError(f"{table}unknown entry {entry!r}{meant} (known: {', '.join(known)})")


def _table(told: Mapping[str, Any], name: str, known: Iterable[str], shown: str = "") -> Mapping[str, Any]:
    held = told.get(name, {})
    if not isinstance(held, Mapping):
        raise SettingsError(f"{name} is {held!r}; expected a table, [{shown or name}]")
    _known(held, known, f"[{shown or name}] ")
    return held


def _of(told: Mapping[str, Any], name: str, kind: type, words: str) -> Any:
    held = told.get(name)
    if held is not None and not isinstance(held, kind):
        raise SettingsError(f"{name} is {held!r}; expected {words}")
    return held


def _number(value: Any) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool)
