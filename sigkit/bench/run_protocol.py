"""Run one algorithm through one protocol: choose on develop, write the choice down, judge on test, keep the result."""

from __future__ import annotations

import json
import math
import os
import shlex
import shutil
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from sigkit import provenance, registry
from sigkit.bench.check_plugin import wrong_tunable
from sigkit.bench.check_protocol import HELPERS, PLAIN_NAME
from sigkit.bench.protocol import Protocol
from sigkit.bench.run_in_subprocess import LIMIT_S, Answer, run_in_subprocess
from sigkit.bench.sealed_labels import SealedLabels, write_choice
from sigkit.bench.simulated_data import data_seed
from sigkit.bench.task_scores import score_task
from sigkit.corpus.dataset import Dataset
from sigkit.errors import PluginError, SettingsError
from sigkit.score.plain import plain

#: The one whole chain from capture to judged table: what `sigkit screen` does, our own competitor in these groups.
PIPELINE = "screen"
PIPELINE_GROUPS = ("role_judges", "screeners")
#: Begin of the name of a working folder, before the number of the process.
_UNFINISHED = ".running-"


@dataclass(frozen=True)
class Competitor:
    """One algorithm of a protocol.

    Attributes
    ----------
    name : str
    origin : str
        ``built-in``, ``baseline`` or ``plug-in``.
    problem : str
        Why it cannot run, ``""`` when it can.
    """

    name: str
    origin: str
    problem: str = ""


def competitors(protocol: Protocol) -> tuple[Competitor, ...]:
    """Return who competes: everything of the group that is installed, and listed baselines that are not."""
    piped = protocol.group in PIPELINE_GROUPS
    found = [Competitor(PIPELINE, "built-in")] if piped else []
    for plugin in registry.plugins(protocol.group):
        if plugin.distribution.startswith("sigkit "):
            origin = "built-in"
        else:
            origin = "baseline" if plugin.name.startswith("baseline_") else "plug-in"
        problem = plugin.problem
        if not problem and piped and plugin.name == PIPELINE:
            problem = f"the name {PIPELINE!r} is that of sigkit's whole chain here; rename the plug-in"
        if not problem and not PLAIN_NAME.fullmatch(plugin.name):
            problem = f"{plugin.name!r} cannot name its files; use letters, digits, _ and - only"
        found.append(Competitor(plugin.name, origin, problem))
    there = {one.name for one in found}
    found += [Competitor(name, "baseline", "not installed") for name in protocol.baselines if name not in there]
    return tuple(found)


def _group_of(protocol: Protocol, algorithm: str) -> str:
    """Return the group an algorithm runs as: ours as the whole chain, others as plug-ins."""
    return "pipelines" if protocol.group in PIPELINE_GROUPS and algorithm == PIPELINE else protocol.group


def run_paths(runs: Path, protocol: Protocol, algorithm: str) -> tuple[Path, Path, Path]:
    """Return the files of a run: its JSON, its outcomes and its choice."""
    stem = f"{protocol.name}--{algorithm}"
    return runs / f"{stem}.json", runs / f"{stem}.npz", runs / f"{stem}.choice.json"


def run_protocol(
    protocol: Protocol, algorithm: str, dataset: Dataset, runs: Path, limit_s: float = LIMIT_S
) -> dict[str, Any]:
    """Run one algorithm; a finished run of the same protocol, data and sigkit is kept as it is.

    The files of a run appear when it has ended, each whole; one that was interrupted leaves none of them.

    Parameters
    ----------
    protocol : Protocol
    algorithm : str
    dataset : Dataset
        With truth and splits.
    runs : Path
        Folder of the results.
    limit_s : float
        Longest time for one answer, seconds.

    Returns
    -------
    dict
        The result, as in the JSON file.

    Raises
    ------
    PluginError
        When the algorithm fails.
    SettingsError
        When there is nothing to score.
    """
    paths = run_paths(runs, protocol, algorithm)
    identity: dict[str, Any] = {
        **state_of(protocol),
        "data": {
            "hash": dataset.dataset_hash,
            "seed": data_seed(protocol) if "engines" in protocol.data else 0,
            "engines": _counts(dataset),
        },
    }
    kept = read_result(paths[0])
    if paths[1].is_file() and not identity["uncommitted_changes"]:
        if all(kept.get(key) == value for key, value in identity.items()):
            return {**kept, "kept": True}
    for path in paths:
        path.unlink(missing_ok=True)
    # Two runs at once, or one that is stopped, never meet in a file: each works in a folder of its own.
    _remove_abandoned(runs)
    with tempfile.TemporaryDirectory(prefix=f"{_UNFINISHED}{os.getpid()}-", dir=runs) as work:
        own = run_paths(Path(work), protocol, algorithm)
        result = _run(protocol, algorithm, dataset, own, identity, limit_s)
        # The result comes last: where it is, the others are.
        for written, path in reversed(list(zip(own, paths, strict=True))):
            os.replace(written, path)
    return result


def _remove_abandoned(runs: Path) -> None:
    """Remove the working folders of processes that were killed before they could."""
    for folder in runs.glob(f"{_UNFINISHED}*"):
        number = folder.name.removeprefix(_UNFINISHED).partition("-")[0]
        if number.isdecimal() and _gone(int(number)):
            shutil.rmtree(folder, ignore_errors=True)


def _gone(process: int) -> bool:
    """Tell whether there is no such process; where that cannot be asked without harm, it is taken to be there."""
    if os.name != "posix":
        return False
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return True
    except PermissionError:  # somebody else's
        return False
    return False


def state_of(protocol: Protocol) -> dict[str, Any]:
    """Return what tells, besides the data, whether a run may be kept: the protocol's and sigkit's own state."""
    return {
        "protocol_sha256": protocol.content_hash,
        "sigkit_tree": provenance.tree_hash(),
        "uncommitted_changes": provenance.has_uncommitted_changes(),
    }


def read_result(path: Path) -> dict[str, Any]:
    """Return the result of an earlier run, ``{}`` where there is none or it is damaged and has to be made again."""
    try:
        held = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return held if isinstance(held, dict) and "metrics" in held and "time" in held else {}


def _run(
    protocol: Protocol,
    algorithm: str,
    dataset: Dataset,
    paths: tuple[Path, Path, Path],
    identity: dict[str, Any],
    limit_s: float,
) -> dict[str, Any]:
    result_path, outcome_path, choice_path = paths
    begin = time.perf_counter()
    seed = provenance.seed_from(identity["data"]["hash"], protocol.content_hash)
    labels = SealedLabels(dataset, algorithm, choice_path)
    learn = "train" if protocol.group == "classifiers" and "train" in dataset.splits.values() else ""
    settings = choose_setting(protocol, algorithm, dataset, labels, choice_path, learn, seed, limit_s=limit_s)
    answer = answer_split(protocol, algorithm, dataset, "test", settings, learn, limit_s)
    scored = score_task(protocol, labels.truth("test"), answer.table, seed)
    ratio = answer.seconds["judge_s"] / max(answer.seconds["reference_s"], 1e-12)
    origin = next((one.origin for one in competitors(protocol) if one.name == algorithm), "plug-in")
    result = {
        "protocol": protocol.name,
        "title": protocol.title,
        "task": protocol.task,
        "group": protocol.group,
        "algorithm": algorithm,
        "origin": origin,
        "settings": settings,
        "choice": json.loads(choice_path.read_text(encoding="utf-8")),
        **identity,
        "versions": provenance.versions(),
        "time": {**answer.seconds, "ratio": ratio, "total_s": time.perf_counter() - begin},
        "metrics": scored.metrics,
        "primary": scored.primary,
        "counted": scored.counted,
        "higher_is_better": True,
        "command": f"sigkit bench run {shlex.quote(protocol.called)} --algorithm {algorithm}",
    }
    outcomes: dict[str, Any] = {
        f"outcome_{k}_{name}": column for k, (name, column) in enumerate(scored.outcomes.items())
    }
    np.savez_compressed(outcome_path, engine=scored.engine.astype(str), **outcomes)
    text = json.dumps(plain(result), indent=1, ensure_ascii=False, allow_nan=False)
    result_path.write_text(text + "\n", encoding="utf-8")
    return result


def choose_setting(
    protocol: Protocol,
    algorithm: str,
    dataset: Dataset,
    labels: SealedLabels,
    choice: Path,
    learn: str,
    seed: int,
    split: str = "develop",
    limit_s: float = LIMIT_S,
) -> dict[str, Any]:
    """Choose the value of an algorithm's one tunable setting by the primary metric, and write the choice down.

    Raises
    ------
    SettingsError
        When the split is ``test``.
    PluginError
        When the algorithm declares more than one tunable setting, or no values for it.
    """
    if split == "test":
        raise SettingsError(f"{algorithm}: settings are chosen on develop, never on test")
    group = _group_of(protocol, algorithm)
    tunable = {} if group == "pipelines" else getattr(registry.load(group, algorithm), "tunable", {})
    problem = wrong_tunable(tunable)
    if problem:
        raise PluginError(f"{algorithm}: its tunable is wrong: {problem}")
    tried: list[list[Any]] = []
    for name, values in dict(tunable).items():
        for value in plain(list(values)):
            answer = answer_split(protocol, algorithm, dataset, split, {name: value}, learn, limit_s)
            scored = score_task(protocol, labels.truth(split), answer.table, seed)
            tried.append([{name: value}, scored.metrics[scored.primary]["value"]])
    best: list[Any] = max(tried, key=lambda one: -math.inf if math.isnan(one[1]) else one[1], default=[{}, 0.0])
    write_choice(choice, algorithm, tried, best[0], split)
    return dict(best[0])


def answer_split(
    protocol: Protocol,
    algorithm: str,
    dataset: Dataset,
    split: str,
    settings: dict[str, Any],
    learn: str,
    limit_s: float = LIMIT_S,
) -> Answer:
    """Let an algorithm answer for a split; what it does not do itself, the protocol's detector and locator do."""
    others = {key: str(protocol.settings[key]) for key in HELPERS if key in protocol.settings}
    group = _group_of(protocol, algorithm)
    return run_in_subprocess(dataset, split, group, algorithm, settings, learn, limit_s=limit_s, **others)


def _counts(dataset: Dataset) -> dict[str, int]:
    counts: dict[str, int] = {}
    for split in dataset.splits.values():
        counts[split] = counts.get(split, 0) + 1
    return counts
