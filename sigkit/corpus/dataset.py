"""A labelled data set: captures, manifest, splits, labels and truth, opened only when every rule holds."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from sigkit.capture.open_captures import PlannedSource, open_planned, plan_opening
from sigkit.capture.source_stream import open_reference
from sigkit.corpus.check_labels import ChannelExtent, check_labels
from sigkit.corpus.description import check_listed_files, check_origins, own_part, read_description
from sigkit.corpus.label_journal import LabelJournal
from sigkit.corpus.label_record import FiringLabel, LabelRecord
from sigkit.corpus.manifest import FILE_NAME as MANIFEST
from sigkit.corpus.manifest import manifest_rules, read_manifest
from sigkit.corpus.splits import FILE_NAME as SPLITS_FILE
from sigkit.corpus.splits import SPLITS, read_splits
from sigkit.corpus.typed_csv import typed_table
from sigkit.errors import CaptureError, DatasetError
from sigkit.provenance import dataset_hash
from sigkit.simulate.truth_table import TRUTH_COLUMNS
from sigkit.types.capture import Capture
from sigkit.types.firing_table import INTERVAL_COLUMNS

if TYPE_CHECKING:
    import pyarrow as pa

CAPTURES = "captures"
LABELS = "labels"
TRUTH = "truth.parquet"
TRUTH_INTERVALS = "truth_intervals.parquet"
_BLOCK = 1 << 20


@dataclass(frozen=True, eq=False)
class Dataset:
    """A data set that has passed the rules; make it with `Dataset.open`.

    Attributes
    ----------
    folder : Path
    name : str
        Name of the folder.
    manifest : pyarrow.Table
        One row a capture file.
    splits : dict of str to str
        Engine -> ``train``, ``calibrate``, ``develop`` or ``test``; empty when not split yet.
    description : dict
        ``dataset.json``, ``{}`` when there is none yet.
    notes : tuple of str
        What is no error but should be known, such as files of ``captures/`` that the manifest does not list.
    """

    folder: Path
    name: str
    manifest: pa.Table
    splits: dict[str, str]
    description: dict[str, Any]
    notes: tuple[str, ...] = ()
    _planned: dict[str, PlannedSource] = field(default_factory=dict, repr=False)
    _extents: dict[str, dict[str, ChannelExtent]] = field(default_factory=dict, repr=False)

    @classmethod
    def open(cls, folder: str | Path, checksums: bool = True) -> Dataset:
        """Open a data set and check its rules.

        Parameters
        ----------
        folder : path
        checksums : bool
            Compare every capture with the manifest's checksum (reads each file once). Leave it on, except where
            the same run has checked already.

        Returns
        -------
        Dataset

        Raises
        ------
        DatasetError
            An engine in two splits or in none, an unknown column, a number column without a unit, a capture that is
            missing or whose checksum differs, a sidecar that contradicts the manifest, a label or a truth row for
            no capture or outside its capture, origins that mix without saying so. The text names file and place.
        """
        home = Path(folder)
        if not (home / MANIFEST).is_file():
            raise DatasetError(str(home), f"there is no {MANIFEST}, so this is no data set",
                               "give the folder of a data set, or make one with sigkit dataset new")  # fmt: skip
        told = read_description(home)
        own = own_part(told)
        rules = manifest_rules(own.get("columns") or {})
        rows = read_manifest(home, rules)
        splits = read_splits(home, (row["engine"] for row in rows))
        origins = own.get("origins") or {}
        check_origins("captures", (row["origin"] for row in rows), origins.get("captures"), MANIFEST)
        if checksums:
            check_listed_files(home, told)
        planned, notes = _match_captures(home, rows)
        if checksums:
            for row in rows:
                _check_capture(planned[row["capture"]], row)
        opened = cls(home, home.resolve().name, typed_table(rows, rules), splits, told, tuple(notes), planned)
        _check_truth(opened, channels=checksums)
        for reader in opened.readers:
            opened.labels(reader)
        return opened

    @property
    def engines(self) -> tuple[str, ...]:
        """Engines of the manifest, sorted."""
        return tuple(sorted(set(self.manifest["engine"].to_pylist())))

    @property
    def readers(self) -> tuple[str, ...]:
        """Opaque ids of the readers that have labels, sorted."""
        return tuple(sorted(path.stem for path in (self.folder / LABELS).glob("*.jsonl")))

    def capture_names(self, split: str | None = None) -> tuple[str, ...]:
        """Return the capture files of a split (default: all), in order of the manifest."""
        chosen = self._engines_of(split)
        names, engines = self.manifest["capture"].to_pylist(), self.manifest["engine"].to_pylist()
        return tuple(name for name, engine in zip(names, engines, strict=True) if engine in chosen)

    def captures(self, split: str | None = None) -> Iterator[Capture]:
        """Open the captures of a split (default: all) one after the other, in order of the manifest.

        A file with several sweeps gives several captures, named ``file#sweep-2``. Engine and ignition type are the
        manifest's.

        Raises
        ------
        DatasetError
            When the split is not known or the data set has no splits.
        CaptureError
            When a file cannot be read as a capture.
        """
        for name in self.capture_names(split):
            yield from self.open_file(name)

    def open_file(self, name: str) -> list[Capture]:
        """Open one capture file of the manifest; several sweeps give several captures.

        Raises
        ------
        DatasetError
            When the manifest has no such capture.
        """
        row = self._row(name)
        ignition = row.get("ignition_type") or ""
        return [capture.with_(engine=row["engine"], ignition_type=ignition or capture.ignition_type)
                for capture in open_planned(self._planned[row["capture"]])]  # fmt: skip

    def labels(self, reader: str) -> list[LabelRecord]:
        """Return what one reader says now: the newest entry of each label, without those taken back, and marks.

        Raises
        ------
        DatasetError
            When there is no such reader, a label lies outside its capture, or origins mix without saying so.
        LabelError
            When the reader's file is damaged.
        """
        if reader not in self.readers:
            raise DatasetError(f"{LABELS}/", f"there is no reader {reader!r}",
                               f"use one of {', '.join(self.readers) or 'none: nothing is labelled yet'}")  # fmt: skip
        journal = LabelJournal(self.folder / LABELS, reader)
        found: list[LabelRecord] = [*journal.firings(), *journal.marks()]
        declared = (own_part(self.description).get("origins") or {}).get("labels") or {}
        check_labels(found, self.extents, declared.get(reader), f"{LABELS}/{reader}.jsonl")
        return found

    def firing_labels(self, reader: str) -> list[FiringLabel]:
        """Return the firings that one reader labels now, see `labels`."""
        return [one for one in self.labels(reader) if isinstance(one, FiringLabel)]

    def extents(self, capture: str) -> dict[str, ChannelExtent] | None:
        """Return where each channel of a capture begins and ends, None when there is no such capture."""
        if capture not in self._extents:
            file = recording_of(capture)
            if file not in self._planned:
                return None
            for one in self.open_file(file):
                self._extents[one.name] = {
                    channel.name: ChannelExtent(
                        channel.start_s, channel.start_s + max(len(channel) - 1, 0) / channel.sample_rate_Hz,
                        channel.sample_rate_Hz) for channel in one.channels}  # fmt: skip
        return self._extents.get(capture)

    def truth(self, split: str | None = None) -> pa.Table | None:
        """Return the simulator's truth of a split (default: all), None where the data set has none."""
        return self._truth_rows(TRUTH, split)

    def truth_intervals(self, split: str | None = None) -> pa.Table | None:
        """Return the true conduction intervals of a split (default: all), None where the data set has none."""
        return self._truth_rows(TRUTH_INTERVALS, split)

    @cached_property
    def dataset_hash(self) -> str:
        """SHA-256 of the content: every channel's samples and facts, the splits, the truth and the labels.

        The file formats do not matter: the same samples in another format hash alike, as long as names do.
        """
        return dataset_hash(self._hashed_parts())

    def _hashed_parts(self) -> Iterator[tuple[str, NDArray, dict[str, NDArray]]]:
        for name in self.capture_names():
            for capture in self.open_file(name):
                for channel in capture.channels:
                    facts = [channel.kind, channel.unit, channel.lead, channel.cylinder, channel.coil, capture.engine,
                             capture.ignition_type, self.splits.get(capture.engine, "")]  # fmt: skip
                    numbers = [channel.sample_rate_Hz, channel.start_s, channel.scale, channel.zero,
                               channel.pickup_ratio or np.nan, *(channel.full_scale or (np.nan, np.nan))]  # fmt: skip
                    # Appended only where it is known: data sets that say nothing of it keep their hash.
                    if channel.pickup_time_constant_s is not None:
                        numbers.append(channel.pickup_time_constant_s)
                    yield (f"capture\n{capture.name}\n{channel.name}", channel.samples,
                           {"facts": np.array(facts, dtype=object), "numbers": np.array(numbers)})  # fmt: skip
        nothing = np.zeros(0)
        for file in (TRUTH, TRUTH_INTERVALS):
            table = self._truth_rows(file, None)
            if table is not None:
                columns = {name: np.array(table[name].to_pylist()) for name in table.column_names}
                yield f"truth\n{file}", nothing, columns
        for reader in self.readers:
            lines = (self.folder / LABELS / f"{reader}.jsonl").read_text(encoding="utf-8").splitlines()
            yield f"labels\n{reader}", nothing, {"lines": np.array(lines, dtype=object)}

    def _row(self, name: str) -> dict[str, Any]:
        if name not in self._planned:
            raise DatasetError(MANIFEST, f"lists no capture {name!r}", "give a name as the manifest writes it")
        return self._rows[name]

    @cached_property
    def _rows(self) -> dict[str, dict[str, Any]]:
        return {row["capture"]: row for row in self.manifest.to_pylist()}

    def _engines_of(self, split: str | None) -> set[str]:
        if split is None:
            return set(self.engines)
        if split not in SPLITS:
            raise DatasetError(SPLITS_FILE, f"there is no split {split!r}", f"use one of {', '.join(SPLITS)}")
        if not self.splits:
            raise DatasetError(str(self.folder), f"there is no {SPLITS_FILE}", "run sigkit dataset split")
        return {engine for engine, its in self.splits.items() if its == split}

    def _truth_rows(self, file: str, split: str | None) -> pa.Table | None:
        path = self.folder / file
        if not path.is_file():
            return None
        import pyarrow.parquet as pq

        table = pq.read_table(path)
        if split is None:
            return table
        names = set(self.capture_names(split))
        return table.filter([recording_of(str(name)) in names for name in table["capture"].to_pylist()])


def recording_of(capture: str) -> str:
    """Return the file of a capture: its name without the number of the sweep.

    Examples
    --------
    >>> recording_of("a/b.csv#sweep-2")
    'a/b.csv'
    """
    return capture.partition("#sweep-")[0]


def source_hash(planned: PlannedSource) -> str:
    """Return the SHA-256 of a capture file's bytes, of the member for a file inside a zip.

    Raises
    ------
    CaptureError
        When it cannot be read.
    """
    digest = hashlib.sha256()
    with ExitStack() as stack:
        stream = open_reference(planned.reference, stack)
        while block := stream.read(_BLOCK):
            digest.update(block)
    return digest.hexdigest()


def _match_captures(home: Path, rows: list[dict[str, Any]]) -> tuple[dict[str, PlannedSource], list[str]]:
    """Return the planned opening of every capture of the manifest, and notes."""
    folder = home / CAPTURES
    if not folder.is_dir():
        if rows:
            raise DatasetError(str(home), f"there is no folder {CAPTURES}", "bring it back")
        return {}, [f"there is no folder {CAPTURES} yet"]
    plan = plan_opening([str(folder)])
    there = {source.reference.name: source for source in plan.sources}
    for row in rows:
        source = there.get(row["capture"])
        place = f"line {row['line']}"
        if source is None:
            raise DatasetError(MANIFEST, f"the capture {row['capture']!r} is not in {CAPTURES}/",
                               "bring the file back or delete the line", place)  # fmt: skip
        if source.sidecar_fault:
            raise DatasetError(f"{CAPTURES}/captures.csv", source.sidecar_fault, "correct it")
        for told in source.rows:
            for column in ("engine", "ignition_type"):
                ours, theirs = row.get(column) or "", told.text(column)
                if ours and theirs and ours != theirs:
                    raise DatasetError(MANIFEST, f"{column} of {row['capture']} is {ours!r}, but {theirs!r} in line "
                                       f"{told.line} of {CAPTURES}/captures.csv", "correct one of them",
                                       f"{place}, column {column}")  # fmt: skip
    listed = {row["capture"] for row in rows}
    loose = sorted(there.keys() - listed)
    notes = [f"{CAPTURES}/{name} is not in {MANIFEST} and is not used" for name in loose]
    notes += [f"{CAPTURES}/{one.capture}: {one.reason}" for one in plan.rejections]
    return {name: there[name] for name in listed}, notes + list(plan.warnings)


def _check_capture(planned: PlannedSource, row: dict[str, Any]) -> None:
    try:
        found = source_hash(planned)
    except CaptureError as fault:
        raise DatasetError(f"{CAPTURES}/{row['capture']}", f"cannot be read: {fault.reason}", fault.remedy) from fault
    if found != row["sha256"]:
        raise DatasetError(f"{CAPTURES}/{row['capture']}", f"its checksum differs from line {row['line']} of "
                           f"{MANIFEST}: expected {row['sha256'][:12]}…, found {found[:12]}…",
                           "bring back the file as published; if it was changed on purpose, remove it and import it "
                           "anew")  # fmt: skip


def _check_truth(opened: Dataset, channels: bool) -> None:
    """Refuse truth for no capture or channel, truth of captures that were not simulated, and unknown columns."""
    simulated = dict(zip(opened.manifest["capture"].to_pylist(), opened.manifest["origin"].to_pylist(), strict=True))
    for file, known in ((TRUTH, TRUTH_COLUMNS), (TRUTH_INTERVALS, INTERVAL_COLUMNS)):
        table = opened._truth_rows(file, None)
        if table is None:
            continue
        if not {"capture", "channel"} <= set(table.column_names):
            raise DatasetError(file, "the columns capture and channel are missing", "write it with sigkit simulate")
        unknown = sorted(set(table.column_names) - set(known))
        if unknown:
            raise DatasetError(file, f"the column {unknown[0]!r} is not known",
                               "leave it out: truth has the simulator's columns", f"column {unknown[0]}")  # fmt: skip
        names = table["capture"].to_pylist()
        for name in dict.fromkeys(names):
            origin = simulated.get(recording_of(str(name)))
            if origin is None:
                raise DatasetError(file, f"has rows for {name!r}, which is not in {MANIFEST}",
                                   "take them out, or import the capture")  # fmt: skip
            if origin != "simulated":
                raise DatasetError(file, f"has rows for {name!r}, whose origin is {origin!r}; truth is known "
                                   "of simulated captures only", "take them out; a reading is a label")  # fmt: skip
        # Opens every capture, so it is left to the thorough check.
        for name, channel in dict.fromkeys(zip(names, table["channel"].to_pylist(), strict=True)) if channels else ():
            there = opened.extents(str(name))
            if there is None or channel not in there:
                raise DatasetError(file, f"has rows for channel {channel!r} of {name!r}; it has "
                                   f"{', '.join(there or {}) or 'no such sweep'}", "name channels as the file does")
