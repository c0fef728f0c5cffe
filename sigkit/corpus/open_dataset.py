"""A data set by its folder, or the shipped one by its short name."""

from __future__ import annotations

from pathlib import Path

from sigkit.corpus.dataset import Dataset
from sigkit.shipped import demo_archive


def open_dataset(folder: str | Path) -> Dataset:
    """Open a data set and check its rules, see `Dataset.open`.

    Parameters
    ----------
    folder : path
        ``demo`` is the invented data set that ships with sigkit, unless there is a folder of that name.

    Raises
    ------
    DatasetError
        When there is no data set, or it breaks a rule.
    """
    return Dataset.open(demo_archive().parent if str(folder) == "demo" and not Path(folder).exists() else folder)
