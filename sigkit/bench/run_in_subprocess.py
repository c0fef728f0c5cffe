"""Run an algorithm in a subprocess that is given captures and nothing of the truth."""

from __future__ import annotations

import json
import os
import sys
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from sigkit.bench.copy_captures import copy_captures
from sigkit.bench.run_alone import run_alone
from sigkit.corpus.dataset import Dataset
from sigkit.errors import PluginError
from sigkit.types.firing_table import Table

#: Settings of the machine that a subprocess keeps; everything else, paths of this run among it, is left out.
KEPT_ENVIRONMENT = ("PATH", "LANG", "LC_ALL", "SYSTEMROOT", "LD_LIBRARY_PATH", "OMP_NUM_THREADS", "VIRTUAL_ENV")


#: Longest time for one answer, seconds: ten times what the slowest of our runs took, rounded up (our choice).
LIMIT_S = 3600.0


@dataclass(frozen=True, eq=False)
class Answer:
    """What an algorithm said, and how long it took.

    Attributes
    ----------
    table : Table
        Predictions.
    seconds : dict of str to float
        ``learn_s``, ``judge_s``, ``reference_s``.
    """

    table: Table
    seconds: dict[str, float]


def write_labels(dataset: Dataset, split: str, path: Path) -> None:
    """Write the conditions of a split that an algorithm may learn from."""
    truth = dataset.truth(split)
    if truth is None:
        raise PluginError(f"{dataset.name} has no truth to learn from")
    rows = truth.select(["capture", "channel", "coil_off_s", "condition", "absent"]).to_pydict()
    real = ~np.array(rows["absent"], dtype=bool) & np.isfinite(np.array(rows["coil_off_s"], dtype=float))
    np.savez(
        path,
        capture=np.array(rows["capture"])[real].astype(str),
        channel=np.array(rows["channel"])[real].astype(str),
        time_s=np.array(rows["coil_off_s"], dtype=float)[real],
        condition=np.array(rows["condition"])[real].astype(str),
    )


def run_in_subprocess(
    dataset: Dataset,
    split: str,
    group: str,
    name: str,
    settings: Mapping[str, Any],
    learn_from: str = "",
    detector: str = "block_activity",
    locator: str = "instant_networks",
    limit_s: float = LIMIT_S,
) -> Answer:
    """Let one algorithm answer for the captures of a split.

    Parameters
    ----------
    dataset : Dataset
    split : str
    group, name : str
        The plug-in.
    settings : mapping
        Keywords of its constructor.
    learn_from : str
        Split whose captures and conditions it may learn from, ``""`` for none. Never ``test``.
    detector, locator : str
        Built-in plug-ins that do what the algorithm does not.
    limit_s : float
        Longest time it may take, seconds.

    Raises
    ------
    PluginError
        When it may not learn from that split, fails, takes longer than the limit or ends its process; the text ends
        with what it said.
    """
    if learn_from in ("test", split) and learn_from:
        raise PluginError(f"{name}: nothing may be learnt from {learn_from}, which is what is judged")
    with tempfile.TemporaryDirectory(prefix="sigkit-bench-") as folder:
        home = Path(folder)
        copy_captures(dataset, split, home / "captures")
        learn = ""
        if learn_from:
            copy_captures(dataset, learn_from, home / "learn")
            write_labels(dataset, learn_from, home / "labels.npz")
            learn = str(home / "learn")
        request = {
            "group": group,
            "name": name,
            "settings": dict(settings),
            "captures": str(home / "captures"),
            "learn": learn,
            "labels": str(home / "labels.npz"),
            "out": str(home / "answer.npz"),
            "detector": detector,
            "locator": locator,
        }
        (home / "request.json").write_text(json.dumps(request), encoding="utf-8")
        environment = {key: os.environ[key] for key in KEPT_ENVIRONMENT if key in os.environ}
        # A home and a working folder of its own: nothing lies beside them but the captures.
        environment |= {"HOME": str(home), "PYTHONDONTWRITEBYTECODE": "1"}
        environment.setdefault("OMP_NUM_THREADS", "1")
        path = [entry for entry in sys.path if entry and Path(entry).is_dir()]
        environment["PYTHONPATH"] = os.pathsep.join(path)
        command = [sys.executable, "-W", "ignore", "-m", "sigkit.bench.algorithm_worker", str(home / "request.json")]
        where = f"{name} failed on {dataset.name}/{split}"
        try:
            ended = run_alone(command, home, environment, limit_s)
        except TimeoutError:
            raise PluginError(f"{where}: no answer within {limit_s:g} s; it was stopped") from None
        done = home / "request.done.json"
        if ended.code or not done.is_file():
            raise PluginError(
                f"{where}: {ended.last_words or f'its process ended with code {ended.code} before it had answered'}"
            )
        with np.load(home / "answer.npz", allow_pickle=False) as held:
            table: Table = {
                key: held[key].astype(object) if held[key].dtype.kind == "U" else held[key] for key in held.files
            }
        return Answer(table, json.loads(done.read_text(encoding="utf-8")))
