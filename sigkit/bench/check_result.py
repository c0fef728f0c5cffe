"""What the result of a run must hold before it is ranked: a file that was edited or damaged is told, not drawn."""

from __future__ import annotations

from typing import Any

from sigkit.bench.protocol import TASKS

_TEXTS = ("protocol", "title", "task", "algorithm", "origin", "protocol_sha256", "sigkit_tree", "primary", "command")
#: Figures of a metric, and times; the others may be left out.
_FIGURES, _TIMES = ("value", "low", "high"), ("judge_s", "learn_s", "ratio")


def wrong_result(told: Any) -> str:
    """Return what is wrong with a result as read from its JSON file, ``""`` when nothing is.

    Examples
    --------
    >>> wrong_result([])
    'is no result of a run'
    """
    if not isinstance(told, dict):
        return "is no result of a run"
    for name in _TEXTS:
        if not isinstance(told.get(name), str):
            return _expected(name, told.get(name), "a text")
    if told["task"] not in TASKS:
        return _expected("task", told["task"], f"one of {', '.join(TASKS)}")
    for name in ("metrics", "data", "time"):
        if not isinstance(told.get(name), dict):
            return _expected(name, told.get(name), "a table")
    if not isinstance(told["data"].get("hash"), str):
        return _expected("data.hash", told["data"].get("hash"), "a text")
    if not _number(told.get("counted")):
        return _expected("counted", told.get("counted"), "a number")
    engines = told["data"].get("engines", {})
    if not isinstance(engines, dict):
        return _expected("data.engines", engines, "a table")
    for name in _TIMES:
        held = told["time"].get(name)
        if not (_number(held) and held >= 0) and (held is not None or name == "judge_s"):
            return _expected(f"time.{name}", held, "a number of at least 0")
    for name, metric in told["metrics"].items():
        if not isinstance(metric, dict) or not all(_number(metric.get(f)) or metric.get(f) is None for f in _FIGURES):
            return _expected(f"metrics.{name}", metric, "value, low and high, each a number or null")
        if _number(metric.get("low")) and _number(metric.get("high")) and metric["low"] > metric["high"]:
            return _expected(f"metrics.{name}", metric, "a low that is not above the high")
    if told["primary"] not in told["metrics"]:
        return _expected("primary", told["primary"], f"one of {', '.join(told['metrics'])}")
    return ""


def _expected(name: str, found: Any, words: str) -> str:
    return f"{name!r} is {found!r}; expected {words}" if found is not None else f"{name!r} is missing; expected {words}"


def _number(value: Any) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool)
