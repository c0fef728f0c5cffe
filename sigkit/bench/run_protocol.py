"""Run one algorithm through one protocol: choose on develop, write the choice down, judge on test, keep the result."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from sigkit import provenance, registry
from sigkit.bench.protocol import Protocol
from sigkit.bench.run_in_subprocess import Answer, run_in_subprocess
from sigkit.bench.sealed_labels import SealedLabels, write_choice
from sigkit.bench.simulated_data import data_seed
from sigkit.bench.task_scores import score_task
from sigkit.corpus.dataset import Dataset
from sigkit.errors import SettingsError
from sigkit.score.plain import plain

#: The one whole chain from capture to judged table: what `sigkit screen` does, our own competitor in these groups.
PIPELINE = "screen"
PIPELINE_GROUPS = ("role_judges", "screeners")


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
    found = [Competitor(PIPELINE, "built-in")] if protocol.group in PIPELINE_GROUPS else []
    for plugin in registry.plugins(protocol.group):
        if plugin.distribution.startswith("sigkit "):
            origin = "built-in"
        else:
            origin = "baseline" if plugin.name.startswith("baseline_") else "plug-in"
        found.append(Competitor(plugin.name, origin, plugin.problem))
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


def run_protocol(protocol: Protocol, algorithm: str, dataset: Dataset, runs: Path) -> dict[str, Any]:
    """Run one algorithm; a finished run of the same protocol, data and sigkit is kept as it is.

    Parameters
    ----------
    protocol : Protocol
    algorithm : str
    dataset : Dataset
        With truth and splits.
    runs : Path
        Folder of the results.

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
    result_path, outcome_path, choice_path = run_paths(runs, protocol, algorithm)
    identity: dict[str, Any] = {
        "protocol_sha256": protocol.content_hash,
        "sigkit_tree": provenance.tree_hash(),
        "uncommitted_changes": provenance.has_uncommitted_changes(),
        "data": {
            "hash": dataset.dataset_hash,
            "seed": data_seed(protocol) if "engines" in protocol.data else 0,
            "engines": _counts(dataset),
        },
    }
    if result_path.is_file() and outcome_path.is_file():
        kept = json.loads(result_path.read_text(encoding="utf-8"))
        if not identity["uncommitted_changes"] and all(kept.get(key) == value for key, value in identity.items()):
            return {**kept, "kept": True}
    for path in (result_path, outcome_path, choice_path):
        path.unlink(missing_ok=True)
    seed = provenance.seed_from(identity["data"]["hash"], protocol.content_hash)
    labels = SealedLabels(dataset, algorithm, choice_path)
    learn = "train" if protocol.group == "classifiers" and "train" in dataset.splits.values() else ""
    settings = choose_setting(protocol, algorithm, dataset, labels, choice_path, learn, seed)
    answer = answer_split(protocol, algorithm, dataset, "test", settings, learn)
    scored = score_task(protocol, labels.truth("test"), answer.table, seed)
    time = {**answer.seconds, "ratio": answer.seconds["judge_s"] / max(answer.seconds["reference_s"], 1e-12)}
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
        "time": time,
        "metrics": scored.metrics,
        "primary": scored.primary,
        "counted": scored.counted,
        "higher_is_better": True,
        "command": f"sigkit bench run {protocol.name} --algorithm {algorithm}",
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
) -> dict[str, Any]:
    """Choose the value of an algorithm's one tunable setting by the primary metric, and write the choice down.

    Raises
    ------
    SettingsError
        When the split is ``test``, or the algorithm declares more than one tunable setting.
    """
    if split == "test":
        raise SettingsError(f"{algorithm}: settings are chosen on develop, never on test")
    group = _group_of(protocol, algorithm)
    tunable = {} if group == "pipelines" else getattr(registry.load(group, algorithm), "tunable", {})
    if len(tunable) > 1:
        raise SettingsError(
            f"{algorithm} declares {len(tunable)} tunable settings; one at most is chosen by a protocol"
        )
    tried: list[list[Any]] = []
    for name, values in dict(tunable).items():
        for value in values:
            answer = answer_split(protocol, algorithm, dataset, split, {name: value}, learn)
            scored = score_task(protocol, labels.truth(split), answer.table, seed)
            tried.append([{name: value}, scored.metrics[scored.primary]["value"]])
    best: list[Any] = max(tried, key=lambda one: -math.inf if math.isnan(one[1]) else one[1], default=[{}, 0.0])
    write_choice(choice, algorithm, tried, best[0], split)
    return dict(best[0])


def answer_split(
    protocol: Protocol, algorithm: str, dataset: Dataset, split: str, settings: dict[str, Any], learn: str
) -> Answer:
    """Let an algorithm answer for a split; what it does not do itself, the protocol's detector and locator do."""
    others = {key: str(protocol.settings[key]) for key in ("detector", "locator") if key in protocol.settings}
    return run_in_subprocess(dataset, split, _group_of(protocol, algorithm), algorithm, settings, learn, **others)


def _counts(dataset: Dataset) -> dict[str, int]:
    counts: dict[str, int] = {}
    for split in dataset.splits.values():
        counts[split] = counts.get(split, 0) + 1
    return counts
