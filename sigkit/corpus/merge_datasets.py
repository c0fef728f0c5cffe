"""Merge data sets into a new one; engines keep their splits, labels their readers, everything its origin."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from sigkit.capture.sidecar import FILE_NAME as SIDECAR
from sigkit.capture.sidecar import read_sidecar
from sigkit.corpus.dataset import CAPTURES, LABELS, TRUTH, TRUTH_INTERVALS, Dataset
from sigkit.corpus.describe import Statement, write_description
from sigkit.corpus.description import own_part
from sigkit.corpus.label_journal import LabelJournal
from sigkit.corpus.make_dataset import append_sidecar
from sigkit.corpus.manifest import FILE_NAME as MANIFEST
from sigkit.corpus.manifest import manifest_columns, manifest_rules
from sigkit.corpus.splits import FILE_NAME as SPLITS_FILE
from sigkit.corpus.typed_csv import write_typed_csv
from sigkit.errors import DatasetError


def merge_datasets(
    sources: Sequence[str | Path], out: str | Path, statement: Statement, *, mixed_origins: bool = False,
    same_readers: bool = False,
) -> Dataset:  # fmt: skip
    """Write the union of data sets into a new folder; the folder is complete or not there.

    Parameters
    ----------
    sources : sequence of path
        Two data sets or more; all split, or none.
    out : path
        Must not exist.
    statement : Statement
        What the new data set is.
    mixed_origins : bool
        Say in the metadata that origins mix; without it a merge that mixes them is refused.
    same_readers : bool
        A reader id that several of them have is the same person.

    Returns
    -------
    Dataset
        The new one, opened and checked.

    Raises
    ------
    DatasetError
        When captures, engines or readers collide, only some are split, or origins would mix without saying so.
    """
    home = Path(out)
    if home.exists():
        raise DatasetError(str(home), "is there already", "choose another name")
    opened = [Dataset.open(source) for source in sources]
    if len(opened) < 2:
        raise DatasetError("merge", "one data set alone is given", "give two or more")
    _check_collisions(opened, same_readers)
    home.parent.mkdir(parents=True, exist_ok=True)
    work = Path(tempfile.mkdtemp(prefix=f".{home.name}.unfinished-", dir=home.parent))
    try:
        # The name of the folder is the name of the data set, so the work is done under the final name.
        made = work / home.name
        (made / LABELS).mkdir(parents=True)
        for one in opened:
            _copy(one, made)
        _write_tables(opened, made)
        extra: dict[str, Any] = {"merged": [{"name": one.name, "dataset_hash": one.dataset_hash} for one in opened]}
        columns: dict[str, Any] = {}
        for one in opened:
            columns |= own_part(one.description).get("columns") or {}
        if columns:
            extra["columns"] = columns
        splits = {"seed": None, "from": [one.name for one in opened]} if opened[0].splits else None
        write_description(made, statement, mixed_origins=mixed_origins, splits=splits, extra=extra)
        Dataset.open(made)
        os.chmod(made, 0o755)
        os.replace(made, home)
    finally:
        shutil.rmtree(work, ignore_errors=True)
    return Dataset.open(home)


def _check_collisions(opened: Sequence[Dataset], same_readers: bool) -> None:
    if len({bool(one.splits) for one in opened}) > 1:
        bare = next(one.name for one in opened if not one.splits)
        raise DatasetError(bare, "is not split, and another is", "run sigkit dataset split on it first")
    captures: dict[str, str] = {}
    engines: dict[str, tuple[str, str]] = {}
    readers: dict[str, str] = {}
    for one in opened:
        for name in one.capture_names():
            if name in captures:
                raise DatasetError(one.name, f"has a capture {name!r}, and so has {captures[name]}",
                                   "import one of them anew under another engine word")  # fmt: skip
            captures[name] = one.name
        for engine in one.engines:
            split = one.splits.get(engine, "")
            other, there = engines.setdefault(engine, (one.name, split))
            if there != split:
                raise DatasetError(one.name, f"has the engine {engine!r} in {split}, and {other} has it in {there}",
                                   "give one of them another word if they are two engines")  # fmt: skip
        for reader in one.readers:
            if readers.setdefault(reader, one.name) != one.name and not same_readers:
                raise DatasetError(one.name, f"has a reader {reader}, and so has {readers[reader]}", "rename one of "
                                   "them, or say --same-readers if it is the same person")  # fmt: skip


def _copy(one: Dataset, made: Path) -> None:
    files = {name.partition("!")[0] for name in one.capture_names()}
    for name in sorted(files):
        target = made / CAPTURES / name
        if target.exists():
            raise DatasetError(one.name, f"has a file {name!r} that is there already", "rename one of them")
        target.parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(one.folder / CAPTURES / name, target)
    root = one.folder / CAPTURES
    for sidecar in sorted(root.rglob(SIDECAR)):
        place = sidecar.relative_to(root)
        if place.parent != Path():
            (made / CAPTURES / place).parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(sidecar, made / CAPTURES / place)
            continue
        names = set(one.capture_names())
        by_base = {name.replace("!", "/").rpartition("/")[2]: name for name in names}
        # A line may name a file by its last part alone; beside other data sets' files it needs the whole path.
        lines = [{**dict(row.values), "capture": full} for row in read_sidecar(sidecar)
                 if (full := row.capture if row.capture in names else by_base.get(row.capture, ""))]  # fmt: skip
        append_sidecar(made / CAPTURES / SIDECAR, lines)
    for reader in one.readers:
        entries = LabelJournal(one.folder / LABELS, reader).entries()
        LabelJournal(made / LABELS, reader).append(entries)


def _write_tables(opened: Sequence[Dataset], made: Path) -> None:
    declared: dict[str, Any] = {}
    for one in opened:
        declared |= own_part(one.description).get("columns") or {}
    rules = manifest_rules(declared)
    rows = [row for one in opened for row in one.manifest.to_pylist()]
    write_typed_csv(made / MANIFEST, manifest_columns(rows, rules), rows)
    splits = {engine: split for one in opened for engine, split in one.splits.items()}
    if splits:
        write_typed_csv(made / SPLITS_FILE, ["engine", "split"],
                        [{"engine": engine, "split": split} for engine, split in sorted(splits.items())])  # fmt: skip
    import pyarrow as pa
    import pyarrow.parquet as pq

    for file, tables in ((TRUTH, [one.truth() for one in opened]),
                         (TRUTH_INTERVALS, [one.truth_intervals() for one in opened])):  # fmt: skip
        there = [table for table in tables if table is not None]
        if there:
            pq.write_table(pa.concat_tables(there, promote_options="default"), made / file, compression="zstd")
