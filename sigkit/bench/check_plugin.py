"""Conformance kit: does a plug-in keep its contract, and does it hold what it declares?"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np

from sigkit import registry
from sigkit.errors import PluginError

#: Group -> module and function that yields (what is checked, check); a check returns what is wrong, ``""`` for nothing.
_CHECKS = {
    "detectors": ("sigkit.bench.check_detector", "detector_checks"),
    "locators": ("sigkit.bench.check_locator", "locator_checks"),
    "classifiers": ("sigkit.bench.check_classifier", "classifier_checks"),
    "features": ("sigkit.bench.check_features", "feature_checks"),
    "readers": ("sigkit.bench.check_reader", "reader_checks"),
    "role_judges": ("sigkit.bench.check_role_judge", "role_judge_checks"),
    "screeners": ("sigkit.bench.check_screener", "screener_checks"),
}
#: What is checked, and the check; None where the plug-in does not declare what would be checked.
Check = tuple[str, Callable[[], str] | None]
#: Stands for the checks that could not even be asked for.
UNFINISHED = "the remaining checks"
#: Changes a detector or locator may declare not to be moved by, in its attribute ``invariances``.
INVARIANCES = ("shift", "gain", "inversion", "offset")


@dataclass(frozen=True)
class CheckResult:
    """One check of one plug-in.

    Attributes
    ----------
    group, plugin, check : str
    problem : str
        What is wrong, ``""`` when nothing is.
    declared : bool
        False for a capability that the plug-in does not declare, which is not tried then.
    """

    group: str
    plugin: str
    check: str
    problem: str
    declared: bool = True

    @property
    def passed(self) -> bool:
        """Tell whether nothing was wrong."""
        return not self.problem

    @property
    def word(self) -> str:
        """``passed``, ``FAILED`` or ``not declared``."""
        return "FAILED" if self.problem else "passed" if self.declared else "not declared"


def check_plugin(name: str, group: str = "") -> list[CheckResult]:
    """Check a registered plug-in.

    Parameters
    ----------
    name : str
        Registered name.
    group : str
        A key of `sigkit.registry.GROUPS`; every group that has the name when not given.

    Returns
    -------
    list of CheckResult
        An exception of the plug-in is a problem, never fatal.

    Raises
    ------
    PluginError
        When no group has such a plug-in, or it is broken.
    """
    return [run() for one in chosen_groups(name, group) for _, run in iterate_checks(name, one)]


def chosen_groups(name: str, group: str = "") -> list[str]:
    """Return the groups a plug-in is checked in; parameters and errors as of `check_plugin`."""
    groups = [group.removeprefix("sigkit.")] if group else [g for g in registry.GROUPS if registry.has(g, name)]
    if not groups:
        raise PluginError(f"no plug-in called {name!r} in any group; run `sigkit info` to see what is installed")
    return groups


def iterate_checks(name: str, group: str) -> Iterator[tuple[str, Callable[[], CheckResult]]]:
    """Yield what is checked of a registered plug-in, and the check to run."""
    yield from _checks(registry.load(group, name), group, name)


def check_class(kind: type, group: str, name: str = "") -> list[CheckResult]:
    """Check a class as a plug-in of a group without registering it; see `check_plugin`."""
    return [run() for _, run in _checks(kind, group, name or kind.__name__)]


def _checks(kind: Any, group: str, name: str) -> Iterator[tuple[str, Callable[[], CheckResult]]]:
    from importlib import import_module

    module, function = _CHECKS[group]
    checks: Iterator[Check] = getattr(import_module(module), function)(kind)
    while True:
        try:
            words, check = next(checks)
        except StopIteration:
            return
        except (Exception, SystemExit) as error:  # noqa: BLE001  a stranger's class may fail in any way
            fault = f"it raised {type(error).__name__}: {error}"
            yield UNFINISHED, partial(CheckResult, group, name, UNFINISHED, fault)
            return
        yield words, partial(_result, group, name, words, check)


def _result(group: str, name: str, words: str, check: Callable[[], str] | None) -> CheckResult:
    return CheckResult(group, name, words, _run(check) if check else "", check is not None)


def make(kind: Any, **settings: Any) -> Any:
    """Return the plug-in ready for use: as shipped where it says how, else by its constructor."""
    shipped = getattr(kind, "shipped", None)
    return shipped() if callable(shipped) and not settings else kind(**settings)


def tried_settings(kind: Any) -> list[dict[str, Any]]:
    """Return one set of keywords for each value of each setting a plug-in declares in ``tunable``."""
    tunable = getattr(kind, "tunable", {})
    # What is wrong with it is a check of its own.
    return [] if wrong_tunable(tunable) else [{name: value} for name, values in tunable.items() for value in values]


def declared_checks(kind: Any, invariant: Callable[[Any, str], str]) -> Iterator[Check]:
    """Yield the checks of what a detector or locator may declare: ``tunable`` and ``invariances``."""
    yield from declared_tunable(kind)
    declared = tuple(getattr(kind, "invariances", ()))
    unknown = [one for one in declared if one not in INVARIANCES]
    if unknown:
        yield f"declared: invariances {declared}", lambda: f"{unknown[0]!r} is none of {', '.join(INVARIANCES)}"
    for change in INVARIANCES:
        yield f"invariance: {change}", partial(invariant, kind, change) if change in declared else None


def declared_tunable(kind: Any) -> Iterator[Check]:
    """Yield the check of ``tunable``, which every plug-in of the bench may declare."""
    if hasattr(kind, "tunable"):
        yield "declared: tunable names one setting at most, with its values", partial(_tunable, kind)
    else:
        yield "declared: tunable", None


def _tunable(kind: Any) -> str:
    return wrong_tunable(kind.tunable)


def wrong_tunable(tunable: Any) -> str:
    """Return what is wrong with a plug-in's ``tunable``, ``""`` when nothing is."""
    values = list(tunable.values()) if isinstance(tunable, Mapping) else []
    if not isinstance(tunable, Mapping) or len(tunable) > 1 or any(not _listed(one) for one in values):
        return f"expected one setting and its values, as in {{'threshold': (0.1, 0.2)}}; found {tunable!r}"
    return "" if all(len(one) for one in values) else "the setting has no values"


def _listed(values: Any) -> bool:
    return isinstance(values, (Sequence, np.ndarray)) and not isinstance(values, str)


def _run(check: Callable[[], str]) -> str:
    try:
        return check()
    except (Exception, SystemExit) as error:  # noqa: BLE001  a stranger's plug-in may fail in any way
        return f"it raised {type(error).__name__}: {error}"
