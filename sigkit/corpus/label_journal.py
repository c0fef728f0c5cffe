"""The file of one reader's labels: append-only, on disk before it counts as saved, recovered after a torn line."""

from __future__ import annotations

import os
import sys
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import IO

from sigkit.corpus.label_record import CaptureMark, FiringLabel, LabelError, LabelRecord, check_reader, label_from_line

#: Longest line believed (our choice: a label at every limit of `label_record` stays far below).
LONGEST_LINE = 64 * 1024
_READ = 1 << 20


class LabelConflict(LabelError):
    """Somebody (another tab, another server) saved a later entry of the same label.

    Attributes
    ----------
    present : dict of str to (FiringLabel or CaptureMark)
        Label id -> the entry that is there now, for every label in conflict.
    """

    def __init__(self, present: dict[str, LabelRecord]) -> None:
        super().__init__(f"saved elsewhere since it was opened: {', '.join(sorted(present))}")
        self.present = present


class LabelJournal:
    """The labels of one reader in ``<folder>/<reader>.jsonl``.

    Lines are only ever added. Several processes may hold the same journal open: each append takes a lock of the
    operating system, reads what others added, and checks ``based_on`` against the newest entry of the label.

    Parameters
    ----------
    folder : path
        The ``labels`` folder of a data set; made when the first label is saved.
    reader : str

    Attributes
    ----------
    path : Path
    messages : list of str
        What had to be recovered, in words.

    Raises
    ------
    LabelError
        When a line other than a torn last one cannot be read, or names another reader.

    Examples
    --------
    >>> import tempfile
    >>> journal = LabelJournal(tempfile.mkdtemp(), "r01")
    >>> journal.append([FiringLabel("e1", "l1", "r01", "a.npz", "lead_1", 0.01, answer="no_spark")])
    >>> [one.answer for one in journal.firings()]
    ['no_spark']
    """

    def __init__(self, folder: str | os.PathLike[str], reader: str) -> None:
        self.path = Path(folder) / f"{check_reader(reader)}.jsonl"
        self.reader = reader
        self.messages: list[str] = []
        self._entries: dict[str, LabelRecord] = {}
        self._newest: dict[str, LabelRecord] = {}
        self._offset = 0
        self._lines = 0
        self._guard = threading.Lock()
        if self.path.exists():
            with self._guard, self._locked() as stream:
                self._catch_up(stream)

    def append(self, records: Sequence[LabelRecord]) -> None:
        """Add records and return only when they are on the disk.

        All go out in one write. An entry that is in the file already, unchanged, counts as saved (a request sent
        twice). A failed write leaves the file as it was.

        Raises
        ------
        LabelConflict
            When ``based_on`` of a record is not the newest entry of its label; nothing is written.
        LabelError
            When a record is another reader's, or an entry id was used for something else.
        OSError
            When the disk refuses.
        """
        with self._guard:
            self._make_file()
            with self._locked() as stream:
                self._catch_up(stream)
                fresh = self._fresh(records)
                if fresh:
                    text = "".join(record.to_line() + "\n" for record in fresh).encode("ascii")
                    self._write(stream, text)
                    for record in fresh:
                        self._take(record)

    def refresh(self) -> None:
        """Read what other processes have added."""
        with self._guard:
            if self.path.exists():
                with self._locked() as stream:
                    self._catch_up(stream)

    def newest(self, label: str) -> LabelRecord | None:
        """Return the newest entry of a label, deletions included; None when there is none."""
        with self._guard:
            return self._newest.get(label)

    def entries(self, label: str | None = None) -> list[LabelRecord]:
        """Return every entry in order of saving, of one label or of all."""
        with self._guard:
            return [one for one in self._entries.values() if label is None or one.label == label]

    def firings(self) -> list[FiringLabel]:
        """Return the labels that hold now: the newest entry each, without those taken back."""
        with self._guard:
            return [one for one in self._newest.values() if isinstance(one, FiringLabel) and not one.deleted]

    def marks(self) -> list[CaptureMark]:
        """Return the newest mark of each capture."""
        with self._guard:
            return [one for one in self._newest.values() if isinstance(one, CaptureMark)]

    def _fresh(self, records: Sequence[LabelRecord]) -> list[LabelRecord]:
        conflicts: dict[str, LabelRecord] = {}
        fresh: list[LabelRecord] = []
        ahead: dict[str, str] = {}
        for record in records:
            if record.reader != self.reader:
                raise LabelError(f"label of reader {record.reader!r} in the journal of {self.reader!r}")
            if (known := self._entries.get(record.entry)) is not None:
                if _content(known) != _content(record):
                    raise LabelError(f"entry {record.entry} is in {self.path} already, with other content")
                continue
            now = self._newest.get(record.label)
            held = ahead.get(record.label, now.entry if now is not None else "")
            if record.based_on != held:
                if now is None:
                    raise LabelError(f"label {record.label} is based on entry {record.based_on!r}, which is not there")
                conflicts[record.label] = now
            ahead[record.label] = record.entry
            fresh.append(record)
        if conflicts:
            raise LabelConflict(conflicts)
        return fresh

    def _make_file(self) -> None:
        if self.path.exists():
            return
        self.path.parent.mkdir(parents=True, exist_ok=True)
        os.close(os.open(self.path, os.O_CREAT | os.O_RDWR, 0o644))
        # The names have to be on the disk too: of the file in its folder, of the folder in the data set.
        for folder in (self.path.parent, self.path.parent.parent):
            _sync_folder(folder)

    @contextmanager
    def _locked(self) -> Iterator[IO[bytes]]:
        try:
            opened = open(self.path, "r+b", buffering=0)
        except PermissionError:  # a data set that may only be read
            opened = open(self.path, "rb", buffering=0)
        with opened as stream:
            _lock(stream)
            try:
                yield stream
            finally:
                _unlock(stream)

    def _catch_up(self, stream: IO[bytes]) -> None:
        """Read the lines added since the last look; mend a torn last line. The lock is held."""
        size = os.fstat(stream.fileno()).st_size
        if size < self._offset:
            raise LabelError(f"{self.path} became shorter while it was open; lines are only ever added. "
                             "Restore it from a copy and start again")  # fmt: skip
        stream.seek(self._offset)
        waiting = b""
        while part := stream.read(_READ):
            *lines, waiting = (waiting + part).split(b"\n")
            for line in lines:
                self._read_line(line)
            if len(waiting) > LONGEST_LINE:
                raise LabelError(f"{self.path}, line {self._lines + 1}: longer than {LONGEST_LINE} bytes; not a label")
        if waiting:
            self._mend(stream, waiting)

    def _read_line(self, line: bytes) -> None:
        self._lines += 1
        if line.strip():
            where = f"{self.path}, line {self._lines}"
            try:
                record = label_from_line(line.decode("utf-8"), where)
            except UnicodeDecodeError as fault:
                raise LabelError(f"{where}: not UTF-8 text ({fault}); restore the file from a copy") from fault
            if record.reader != self.reader:
                raise LabelError(f"{where}: a label of reader {record.reader!r} in the file of {self.reader!r}")
            self._take(record)
        self._offset += len(line) + 1

    def _mend(self, stream: IO[bytes], torn: bytes) -> None:
        """Deal with bytes after the last line end: a whole label gets its line end, a torn one is set aside."""
        if not stream.writable():
            self.messages.append(f"{self.path.name}: the last line is torn and left out; the file may only be read")
            return
        try:
            label_from_line(torn.decode("utf-8"))
        except (LabelError, UnicodeDecodeError):
            aside = self.path.with_suffix(".torn")
            with open(aside, "ab") as kept:
                kept.write(torn + b"\n")
                kept.flush()
                os.fsync(kept.fileno())
            stream.truncate(self._offset)
            os.fsync(stream.fileno())
            self.messages.append(
                f"{self.path.name}: the last line was torn ({len(torn)} bytes of a save that never finished, and was "
                f"never reported as saved); it is kept in {aside.name}. Every saved label is there"
            )
            return
        self._write(stream, b"\n", at=self._offset + len(torn))
        self._read_line(torn)
        self.messages.append(f"{self.path.name}: the last line lacked its line end; the label is whole and kept")

    def _write(self, stream: IO[bytes], text: bytes, at: int | None = None) -> None:
        start = self._offset if at is None else at
        stream.seek(start)
        try:
            rest = memoryview(text)
            while rest:
                rest = rest[stream.write(rest) :]
            os.fsync(stream.fileno())
        except OSError:
            # A full disk may take half a line: what was not said to be saved must not stay.
            stream.truncate(start)
            raise
        if at is None:
            self._offset += len(text)
            self._lines += text.count(b"\n")

    def _take(self, record: LabelRecord) -> None:
        self._entries[record.entry] = record
        self._newest[record.label] = record


def read_labels(folder: str | os.PathLike[str]) -> dict[str, LabelJournal]:
    """Return the journals of a ``labels`` folder by reader, in order of their names.

    Parameters
    ----------
    folder : path
        May be absent: then nobody has labelled.

    Raises
    ------
    LabelError
        As `LabelJournal`, and when a file is named after no reader.
    """
    return {path.stem: LabelJournal(folder, path.stem) for path in sorted(Path(folder).glob("*.jsonl"))}


def new_entry_id() -> str:
    """Return an id for an entry or a label, never used before."""
    import uuid

    return uuid.uuid4().hex


def now_text() -> str:
    """Return the time of saving: ISO 8601, UTC, to the second."""
    return datetime.now(UTC).isoformat(timespec="seconds")


def _content(record: LabelRecord) -> dict:
    """Return what a record says, without what the server adds at saving."""
    return {name: value for name, value in vars(record).items() if name not in ("saved_at", "duration_s", "program")}


def _sync_folder(folder: Path) -> None:
    if os.name != "posix":  # folders cannot be opened elsewhere; the file's own sync has to do
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


if sys.platform != "win32":
    import fcntl

    def _lock(stream: IO[bytes]) -> None:
        fcntl.flock(stream.fileno(), fcntl.LOCK_EX)

    def _unlock(stream: IO[bytes]) -> None:
        fcntl.flock(stream.fileno(), fcntl.LOCK_UN)

else:
    import msvcrt

    #: Locked far beyond any label, so that reading never meets the locked byte.
    _LOCK_PLACE = 1 << 40

    def _lock(stream: IO[bytes]) -> None:
        stream.seek(_LOCK_PLACE)
        msvcrt.locking(stream.fileno(), msvcrt.LK_LOCK, 1)

    def _unlock(stream: IO[bytes]) -> None:
        stream.seek(_LOCK_PLACE)
        msvcrt.locking(stream.fileno(), msvcrt.LK_UNLCK, 1)
