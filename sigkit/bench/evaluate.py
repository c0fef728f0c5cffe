"""Score a plain function, or a table made anywhere, by a protocol."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from sigkit import provenance
from sigkit.bench.prediction_table import as_table, read_predictions
from sigkit.bench.protocol import Protocol, read_protocol
from sigkit.bench.scored import Scored
from sigkit.bench.sealed_labels import SealedLabels, write_choice
from sigkit.bench.simulated_data import protocol_data
from sigkit.bench.task_scores import score_task
from sigkit.corpus.dataset import Dataset
from sigkit.errors import SettingsError
from sigkit.types.capture import Capture


def default_cache() -> Path:
    """Return the folder that keeps simulated data sets of protocols: the user's cache."""
    import os

    return Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "sigkit" / "bench"


def evaluate(
    function: Callable[[Capture], dict[str, Any]],
    protocol: str | Path | Protocol,
    *,
    split: str = "develop",
    cache: Path | None = None,
    dataset: Dataset | None = None,
) -> Scored:
    """Score a function of a notebook on the captures of a split.

    It runs in this process, so nothing keeps it from looking for the truth: a result for others is made by a plug-in
    and ``sigkit bench run``.

    Parameters
    ----------
    function : callable
        Takes a `Capture`, returns columns of predictions (`sigkit.bench.prediction_table.NEEDED`) as lists or arrays,
        without ``capture``.
    protocol : str, Path or Protocol
    split : str
        ``develop`` by default; ``test`` counts as a look at the test labels.
    cache : Path, optional
        Folder of simulated data sets.
    dataset : Dataset, optional
        Instead of the protocol's own.

    Returns
    -------
    Scored
    """
    one = protocol if isinstance(protocol, Protocol) else read_protocol(protocol)
    data = dataset or protocol_data(one, cache or default_cache())
    columns: dict[str, list] = {}
    count = 0
    for capture in data.captures(split):
        answer = {name: list(values) for name, values in function(capture).items()}
        rows = max((len(values) for values in answer.values()), default=0)
        columns.setdefault("capture", []).extend([capture.name] * rows)
        for name, values in answer.items():
            columns.setdefault(name, [np.nan] * count).extend(values)
        count += rows
    return _score(one, data, as_table(columns), split, "function")


def score_file(path: str | Path, protocol: Protocol, dataset: Dataset, split: str = "test") -> Scored:
    """Score a table of predictions made in any language.

    Raises
    ------
    SettingsError
        When the table breaks a rule; the text names line and column.
    """
    _refuse_unscorable(dataset, protocol, split)
    # Opened, because a file may hold several sweeps, each a capture with a name of its own.
    table = read_predictions(
        path, protocol, {one.name for one in dataset.captures(split)}, set(dataset.capture_names())
    )
    return _score(protocol, dataset, table, split, Path(path).name)


def _refuse_unscorable(dataset: Dataset, protocol: Protocol, split: str) -> None:
    """Raise before anything is read when the data set cannot judge: no truth, no such split, no wanted split."""
    if dataset.truth() is None:
        raise SettingsError(
            f"{dataset.name} has no truth.parquet, so nothing can be scored against it; "
            "leave --data out to score on the protocol's own data set, or give --data demo"
        )
    if split not in dataset.splits.values():
        there = ", ".join(sorted(set(dataset.splits.values()))) or "none"
        raise SettingsError(f"{dataset.name} has no engine in the split {split}; it has {there}; give --split")


def _score(protocol: Protocol, dataset: Dataset, table: Any, split: str, name: str) -> Scored:
    import tempfile

    seed = provenance.seed_from(dataset.dataset_hash, protocol.content_hash)
    with tempfile.TemporaryDirectory() as folder:
        # Predictions on a table are final: that nothing is left to choose is itself the choice.
        choice = Path(folder) / "choice.json"
        write_choice(choice, name, [], {}, "none")
        return score_task(protocol, SealedLabels(dataset, name, choice).truth(split), table, seed)
