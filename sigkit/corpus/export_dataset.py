"""Export a data set to CSV, Parquet, NumPy, or the text format of the time-series archives (``.ts``)."""

from __future__ import annotations

import math
import os
import shutil
import tempfile
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sigkit.capture.atomic_file import atomic_file
from sigkit.capture.sidecar import read_sidecar
from sigkit.capture.write_capture import write_capture
from sigkit.corpus.dataset import Dataset
from sigkit.corpus.firing_examples import FiringExamples, firing_examples
from sigkit.corpus.label_table import LABEL_COLUMNS, label_rows
from sigkit.corpus.typed_csv import write_typed_csv
from sigkit.errors import DatasetError

FORMATS = ("csv", "parquet", "numpy", "ts")
_ENDINGS = {"csv": ".csv", "parquet": ".parquet", "numpy": ".npz"}
#: Splits that make the training file of a general classifier; the test file is the test split.
TRAINING = ("train", "calibrate", "develop")


def free_texts(opened: Dataset) -> list[tuple[str, str]]:
    """Return every free text of a data set with its place, for review before export."""
    found = []
    for name in ("note", "instrument"):
        if name in opened.manifest.column_names:
            found += [(f"manifest.csv, {name}", text) for text in opened.manifest[name].to_pylist() if text]
    for sidecar in sorted((opened.folder / "captures").rglob("captures.csv")):
        place = sidecar.relative_to(opened.folder).as_posix()
        found += [(f"{place}, note", row.text("note")) for row in read_sidecar(sidecar) if row.text("note")]
    for reader in opened.readers:
        found += [(f"labels/{reader}.jsonl, remark", one.remark) for one in opened.labels(reader) if one.remark]
    return list(dict.fromkeys(found))


def export_dataset(
    opened: Dataset, out: str | Path, form: str, *, reader: str = "", keep_texts: bool = False
) -> tuple[Path, ...]:
    """Write a data set in another form.

    ``csv``, ``parquet`` and ``numpy`` write every capture in that format, and manifest, splits, labels (one row a
    label, with its origin) and truth as tables. ``ts`` writes scaled windows of the firings with their condition:
    ``<name>_TRAIN.ts`` from train, calibrate and develop, ``<name>_TEST.ts`` from test.

    Parameters
    ----------
    opened : Dataset
    out : path
        Folder; must not exist.
    form : str
        One of `FORMATS`.
    reader : str
        For ``ts``: whose conditions, a reader or ``truth``.
    keep_texts : bool
        Keep free texts; by default they are left out. Look at `free_texts` first.

    Returns
    -------
    tuple of Path
        What was written.

    Raises
    ------
    DatasetError
        When the form is not known, the folder is there, or there is nothing to write.
    """
    final = Path(out)
    if form not in FORMATS:
        raise DatasetError("format", f"{form!r} is not known", f"use one of {', '.join(FORMATS)}")
    if final.exists():
        raise DatasetError(str(final), "is there already", "choose another folder")
    final.parent.mkdir(parents=True, exist_ok=True)
    folder = Path(tempfile.mkdtemp(prefix=f".{final.name}.unfinished-", dir=final.parent))
    try:
        if form == "ts":
            written = _export_ts(opened, folder, reader)
        else:
            written = _export_tables(opened, folder, form, keep_texts)
        os.chmod(folder, 0o755)
        os.replace(folder, final)
    finally:
        shutil.rmtree(folder, ignore_errors=True)
    return tuple(final / path.relative_to(folder) for path in written)


def _export_tables(opened: Dataset, folder: Path, form: str, keep_texts: bool) -> list[Path]:
    ending = _ENDINGS[form]
    written: list[Path] = []
    rows, seen = opened.manifest.to_pylist(), set()
    names: dict[str, str] = {}
    for capture in opened.captures():
        name = capture.name.replace("!", "/").replace("#", "_")
        path = folder / "captures" / (str(Path(name).with_suffix("")) + ending)
        if path in seen:
            path = folder / "captures" / (name.replace(".", "_") + ending)
        seen.add(path)
        path.parent.mkdir(parents=True, exist_ok=True)
        try:
            write_capture(capture.with_(note=capture.note if keep_texts else "", metadata={}), path)
        except ValueError as fault:
            raise DatasetError(capture.name, f"does not fit into {form}: {fault}", "export as numpy") from fault
        names[capture.name] = path.relative_to(folder / "captures").as_posix()
        written.append(path)
    listed = [{"capture": names.get(row["capture"], row["capture"]), "original": row["capture"],
               **{name: value for name, value in row.items() if name not in ("capture", "sha256") and
                  (keep_texts or name not in ("note", "instrument"))}} for row in rows]  # fmt: skip
    labels = [{**row, "capture": names[row["capture"]]} for row in label_rows(opened, remarks=keep_texts)]
    splits = [{"engine": engine, "split": split} for engine, split in opened.splits.items()]
    truth = [{**row, "capture": names[row["capture"]]} for table in [opened.truth()] if table is not None
             for row in table.to_pylist()]  # fmt: skip
    tables: list[tuple[str, list[dict[str, Any]], Sequence[str]]] = [
        ("manifest", listed, list(listed[0]) if listed else []), ("splits", splits, ["engine", "split"]),
        ("labels", labels, LABEL_COLUMNS), ("truth", truth, list(truth[0]) if truth else [])]  # fmt: skip
    for name, content, columns in tables:
        if content:
            written.append(_write_table(folder / (name + ending), content, columns))
    return written


def write_ts(path: str | Path, examples: FiringExamples, rows: NDArray, classes: Sequence[str], problem: str) -> None:
    """Write windows in the text format of the time-series classification archives.

    One univariate series a line, values with commas, then ``:`` and the class; the header says how many values and
    which classes there are. ``?`` is a missing value. The rules are those of the archives' own description of the
    ``.ts`` format (headers ``@problemName`` ... ``@data``); from memory.

    Parameters
    ----------
    path : path
    examples : FiringExamples
    rows : ndarray of int
        Which examples.
    classes : sequence of str
        All classes of the problem, in both files alike.
    problem : str
    """
    windows = examples.windows[rows]
    missing = bool(np.isnan(windows).any())
    head = [f"@problemName {problem}", "@timestamps false", f"@missing {str(missing).lower()}", "@univariate true",
            "@equalLength true", f"@seriesLength {windows.shape[1]}",
            f"@classLabel true {' '.join(classes)}", "@data"]  # fmt: skip
    with atomic_file(path) as temporary, open(temporary, "w", encoding="utf-8", newline="\n") as stream:
        stream.write("\n".join(head) + "\n")
        for values, condition in zip(windows, examples.condition[rows], strict=True):
            text = ",".join("?" if math.isnan(value) else f"{value:.6g}" for value in values.tolist())
            stream.write(f"{text}:{condition}\n")


def _export_ts(opened: Dataset, folder: Path, reader: str) -> list[Path]:
    if not opened.splits:
        raise DatasetError(str(opened.folder), "has no splits, so there is no test file", "run sigkit dataset split")
    chosen = reader or ("truth" if opened.truth() is not None else "")
    if not chosen:
        raise DatasetError("reader", "none is named", f"name one of {', '.join(opened.readers) or '(nobody labelled)'}")
    examples = firing_examples(opened, chosen)
    parts = {"TRAIN": np.flatnonzero(np.isin(examples.split, TRAINING)),
             "TEST": np.flatnonzero(examples.split == "test")}  # fmt: skip
    for word, rows in parts.items():
        if not rows.size:
            raise DatasetError(chosen, f"gives no condition in the {word.lower()} part", "label firings of its engines")
    classes = sorted(set(examples.condition.tolist()))
    written = []
    for word, rows in parts.items():
        path = folder / f"{opened.name}_{word}.ts"
        write_ts(path, examples, rows, classes, opened.name)
        written.append(path)
    return written


def _write_table(path: Path, rows: list[dict[str, Any]], columns: Sequence[str]) -> Path:
    writers: Mapping[str, Callable[[Path, list[dict[str, Any]], Sequence[str]], None]] = {
        ".csv": lambda place, content, names: write_typed_csv(place, names, content),
        ".parquet": _write_parquet, ".npz": _write_npz,
    }  # fmt: skip
    writers[path.suffix](path, rows, columns)
    return path


def _write_parquet(path: Path, rows: list[dict[str, Any]], columns: Sequence[str]) -> None:
    import pyarrow as pa
    import pyarrow.parquet as pq

    with atomic_file(path) as temporary:
        pq.write_table(pa.table({name: [row[name] for row in rows] for name in columns}), temporary)


def _write_npz(path: Path, rows: list[dict[str, Any]], columns: Sequence[str]) -> None:
    arrays: dict[str, Any] = {}
    for name in columns:
        values = [row[name] for row in rows]
        text = any(isinstance(value, str) for value in values)
        arrays[name] = np.array(["" if value is None else str(value) for value in values]) if text else np.array(
            [np.nan if value is None else value for value in values])  # fmt: skip
    with atomic_file(path) as temporary, open(temporary, "wb") as stream:
        np.savez(stream, **arrays)
