"""Read the splits of a data set: whole engines in train, calibrate, develop or test."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from sigkit.corpus.typed_csv import ColumnRule, read_typed_csv
from sigkit.errors import DatasetError

FILE_NAME = "splits.csv"
SPLITS = ("train", "calibrate", "develop", "test")
RULES = {
    "engine": ColumnRule(required=True, meaning="engine, as in manifest.csv"),
    "split": ColumnRule(required=True, allowed=SPLITS, meaning="the one split all its captures belong to"),
}


def read_splits(folder: str | Path, engines: Iterable[str]) -> dict[str, str]:
    """Read ``splits.csv``; ``{}`` when the data set has not been split yet.

    Parameters
    ----------
    folder : path
        The data set.
    engines : iterable of str
        Engines of the manifest.

    Returns
    -------
    dict of str to str
        Engine -> split.

    Raises
    ------
    DatasetError
        When an engine stands in two splits, in none, or is not in the manifest.
    """
    path = Path(folder) / FILE_NAME
    if not path.exists():
        return {}
    known = set(engines)
    splits: dict[str, str] = {}
    for row in read_typed_csv(path, RULES, FILE_NAME):
        engine, split, place = row["engine"], row["split"], f"line {row['line']}"
        if engine in splits:
            twice = "twice" if splits[engine] == split else f"in two splits, {splits[engine]} and {split}"
            raise DatasetError(FILE_NAME, f"the engine {engine!r} stands {twice}; an engine belongs to one "
                               "split, because its firings resemble each other", "delete one of the lines",
                               place)  # fmt: skip
        if engine not in known:
            raise DatasetError(FILE_NAME, f"the engine {engine!r} has no capture in manifest.csv",
                               "delete the line, or import its captures", place)  # fmt: skip
        splits[engine] = split
    absent = sorted(known - splits.keys())
    if absent:
        raise DatasetError(FILE_NAME, f"the engine {absent[0]!r} of manifest.csv is in no split",
                           "run sigkit dataset split --add, which leaves the others where they are")  # fmt: skip
    return splits
