"""The truth of a data set, with the test split sealed until the choice of settings is written down."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np

from sigkit.corpus.dataset import Dataset
from sigkit.errors import SettingsError
from sigkit.types.firing_table import Table


def write_choice(path: Path, algorithm: str, tried: list[list[Any]], chosen: dict[str, Any], split: str) -> None:
    """Write down which setting was chosen, and on which split.

    Raises
    ------
    SettingsError
        When it was chosen on the test split.
    """
    if split == "test":
        raise SettingsError(f"{algorithm}: a setting chosen on the test split is no choice; choose on develop")
    path.parent.mkdir(parents=True, exist_ok=True)
    told = {"algorithm": algorithm, "tried": tried, "chosen": chosen, "split": split}
    path.write_text(json.dumps(told, indent=1) + "\n", encoding="utf-8")


class SealedLabels:
    """Truth by split; that of ``test`` only once the choice of the algorithm is on disk.

    Parameters
    ----------
    dataset : Dataset
    algorithm : str
    choice : Path
        File that `write_choice` writes.
    """

    def __init__(self, dataset: Dataset, algorithm: str, choice: Path) -> None:
        self._dataset, self._algorithm, self._choice = dataset, algorithm, choice

    def truth(self, split: str) -> Table:
        """Return the truth of a split as columns.

        Raises
        ------
        SettingsError
            When the test labels are asked for before the choice was written down, or the data set has no truth.
        """
        if split == "test" and not self._chosen():
            raise SettingsError(
                f"{self._algorithm}: test labels stay closed until the choice of settings is written to "
                f"{self._choice.name}"
            )
        table = self._dataset.truth(split)
        if table is None:
            raise SettingsError(f"{self._dataset.name} holds no truth.parquet to score against")
        return {name: np.array(table[name].to_pylist(), dtype=_type(table[name].type)) for name in table.column_names}

    def _chosen(self) -> bool:
        if not self._choice.is_file():
            return False
        told = json.loads(self._choice.read_text(encoding="utf-8"))
        return bool(told.get("algorithm") == self._algorithm and told.get("split") != "test")


def _type(kind: Any) -> type:
    import pyarrow as pa

    if pa.types.is_boolean(kind):
        return bool
    if pa.types.is_integer(kind):
        return int
    return float if pa.types.is_floating(kind) else object
