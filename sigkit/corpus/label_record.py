"""One label: what a reader says of one firing, or of one capture as a whole; one JSON line each."""

from __future__ import annotations

import json
import math
import re
from dataclasses import dataclass, field, fields
from datetime import datetime
from typing import Any

from sigkit.errors import SigkitError
from sigkit.types.firing_table import CONDITIONS, ROLES, UNKNOWN
from sigkit.types.flags import OK, missing

#: First field of every line; a later layout gets another name, so that old files keep loading.
SCHEMA = "sigkit-label-1"
#: Where a label comes from (design section 6).
ORIGINS = ("truth", "cursor", "picture", "imported", "algorithm")
#: What the reader answers first. ``measured``: instants are given; ``cut``: the record begins or ends within the
#: firing, instants as far as recorded; ``not_measurable``: a firing is there but its instants cannot be told.
ANSWERS = ("measured", "no_spark", "cut", "not_measurable")
CERTAINTIES = ("sure", "fairly_sure", "unsure")
#: Shortest conduction that counts as a spark, milliseconds (design section 3, our choice).
FLASH_MS = 0.05
#: Most intervals or coil instants of one firing, and longest remark (our choice: far beyond any real discharge).
MOST_INSTANTS = 64
LONGEST_REMARK = 500
_READER, _ID = re.compile(r"[a-z][a-z0-9_-]{0,31}"), re.compile(r"[A-Za-z0-9_-]{1,64}")


class LabelError(SigkitError):
    """A label, or a line of a label file, cannot be used."""


@dataclass(frozen=True)
class FiringLabel:
    """What one reader says of one firing. Instants are in seconds on the capture's own time axis.

    Attributes
    ----------
    entry : str
        Id of this line, never used twice.
    label : str
        Id of the label; a later line with the same label replaces this one (nothing is deleted from the file).
    reader : str
        Opaque id, as ``r01``.
    capture, channel : str
    time_s : float
        Where the firing is: its switching-off as placed, else its first instant, else where the reader was pointed.
    origin : str
        One of `ORIGINS`.
    answer : str
        One of `ANSWERS`.
    intervals : tuple of (float or None, float or None)
        Conduction intervals (start, stop) in time order; an end that is not on the record is None, with answer cut.
    coil_on_s, coil_off_s : tuple of float
        Every switching-on and -off seen, in time order.
    burn_time_ms : float or None
        Only where a hand reading gives a difference and no positions.
    role, polarity, condition, certainty : str, int, str, str
        Role of `sigkit.types.firing_table.ROLES`; polarity -1, +1, or 0 for not told; a condition, or ``unknown``.
    resolution_s : float or None
        Step of the reading, seconds: one sample on the trace, a tick of a picture, what a hand reading states.
    blind : bool
        Nothing of algorithm, other readers, truth and file names was to be seen.
    presentation : int
        0 the first time a firing is shown to this reader, 1, 2, … for repeats.
    flipped : bool
        Shown upside down; polarity and levels are stored as recorded.
    shifted_s : float
        By how much the window stood elsewhere than at presentation 0, seconds.
    queue : str
        What chose it; ``whole_capture`` when the reader went through the capture.
    aids : tuple of str
        Used: ``inverted``, ``previous``, ``sibling``, ``reference``, ``snap``.
    deleted : bool
        The reader takes the label back.
    based_on : str
        Entry this one follows, ``""`` for the first.
    saved_at : str
        Time of saving, ISO 8601 with offset, UTC.
    duration_s : float or None
        Time from showing to saving.
    program : str
        Name and version of what wrote the line.
    remark : str
        Free text; shown for review before export.

    Examples
    --------
    >>> one = FiringLabel("e1", "l1", "r01", "a.npz", "lead_1", 0.010, intervals=((0.0101, 0.0113),))
    >>> round(one.burn_ms, 3), one.sparked
    (1.2, 'yes')
    >>> label_from_line(one.to_line()) == one
    True
    """

    entry: str
    label: str
    reader: str
    capture: str
    channel: str
    time_s: float
    origin: str = "cursor"
    answer: str = "measured"
    intervals: tuple[tuple[float | None, float | None], ...] = ()
    coil_on_s: tuple[float, ...] = ()
    coil_off_s: tuple[float, ...] = ()
    burn_time_ms: float | None = None
    role: str = UNKNOWN
    polarity: int = 0
    condition: str = UNKNOWN
    certainty: str = "sure"
    resolution_s: float | None = None
    blind: bool = False
    presentation: int = 0
    flipped: bool = False
    shifted_s: float = 0.0
    queue: str = ""
    aids: tuple[str, ...] = ()
    deleted: bool = False
    based_on: str = ""
    saved_at: str = ""
    duration_s: float | None = None
    program: str = ""
    remark: str = ""
    kind: str = field(default="firing", init=False)

    def __post_init__(self) -> None:
        _check_identity(self)
        _check_firing(self)

    @property
    def strikes(self) -> tuple[int, ...]:
        """Strike of each interval: 0, and one more for every switching-on since the first conduction."""
        if not self.intervals:
            return ()
        first = next(one for one in self.intervals[0] if one is not None)
        later = [on for on in self.coil_on_s if on > first]
        return tuple(sum(start is not None and on < start for on in later) for start, _ in self.intervals)

    @property
    def breakdown_s(self) -> float | None:
        """First conduction of the first discharge, None where not given."""
        return self.intervals[0][0] if self.intervals else None

    @property
    def burn_end_s(self) -> float | None:
        """Last extinction of the first discharge, None where not given."""
        first = [interval for interval, strike in zip(self.intervals, self.strikes, strict=True) if strike == 0]
        return first[-1][1] if first else None

    @property
    def burn_ms(self) -> float | None:
        """Burn time in milliseconds: from the instants, else as read; None where not given."""
        if self.breakdown_s is not None and self.burn_end_s is not None:
            return 1e3 * (self.burn_end_s - self.breakdown_s)
        return self.burn_time_ms

    @property
    def sparked(self) -> str:
        """One of yes, flash, no, unknown (design section 3)."""
        if self.answer == "no_spark":
            return "no"
        burn = self.burn_ms
        if burn is None:
            return "yes" if self.intervals else "unknown"
        return "yes" if burn >= FLASH_MS else "flash"

    def instant(self, name: str) -> tuple[float, str]:
        """Return an instant in seconds and its flag, ``nan`` with a reason where it is missing.

        Parameters
        ----------
        name : str
            ``coil_on``, ``coil_off``, ``breakdown`` or ``burn_end``.
        """
        found = {
            "coil_on": self.coil_on_s[0] if self.coil_on_s else None,
            "coil_off": self.coil_off_s[0] if self.coil_off_s else None,
            "breakdown": self.breakdown_s,
            "burn_end": self.burn_end_s,
        }[name]
        if found is not None:
            return float(found), OK
        if name in ("breakdown", "burn_end") and self.answer == "no_spark":
            return math.nan, missing("no_spark")
        if self.answer == "cut":
            # Until something is given, the beginning is what the record lacks; after that, the end.
            late = name == "burn_end" and self.breakdown_s is not None
            return math.nan, missing("cut_end" if late else "cut_start")
        return math.nan, missing("not_visible")

    def to_line(self) -> str:
        """Return the label as one line of JSON, without the line end."""
        return _line(self)


@dataclass(frozen=True)
class CaptureMark:
    """What one reader says of a whole capture: whether every firing on it is labelled.

    Attributes as in `FiringLabel`; ``exhaustive`` says that the reader went through all of the capture's voltage
    channels and labelled every firing. Recall is scored on such captures only.

    Examples
    --------
    >>> mark = CaptureMark("e2", "m1", "r01", "a.npz", exhaustive=True)
    >>> label_from_line(mark.to_line()) == mark
    True
    """

    entry: str
    label: str
    reader: str
    capture: str
    exhaustive: bool
    channels: tuple[str, ...] = ()
    origin: str = "cursor"
    blind: bool = False
    based_on: str = ""
    saved_at: str = ""
    program: str = ""
    remark: str = ""
    kind: str = field(default="capture", init=False)

    def __post_init__(self) -> None:
        _check_identity(self)
        if not isinstance(self.exhaustive, bool):
            raise LabelError(f"exhaustive is {self.exhaustive!r}, expected true or false")

    def to_line(self) -> str:
        """Return the mark as one line of JSON, without the line end."""
        return _line(self)


LabelRecord = FiringLabel | CaptureMark
_FIELDS = {made: frozenset(one.name for one in fields(made) if one.init) for made in (FiringLabel, CaptureMark)}


def label_from_line(line: str, where: str = "label") -> LabelRecord:
    """Return the record of one JSON line.

    Parameters
    ----------
    line, where : str
        ``where`` is file and line, for the message.

    Raises
    ------
    LabelError
        When it is no JSON, of another layout, or a field is unknown, missing or out of range.
    """
    try:
        found = json.loads(line)
    except (ValueError, RecursionError) as fault:
        raise LabelError(f"{where}: not a line of JSON ({fault}); restore the file from a copy") from fault
    return label_from_dict(found, where)


def label_from_dict(found: Any, where: str = "label") -> LabelRecord:
    """Return the record a mapping describes; see `label_from_line`."""
    if not isinstance(found, dict):
        raise LabelError(f"{where}: a label is a JSON object, found {type(found).__name__}")
    given = dict(found)
    if (schema := given.pop("schema", None)) != SCHEMA:
        raise LabelError(f"{where}: layout {schema!r}, this version reads {SCHEMA!r}")
    kind = given.pop("kind", None)
    if kind not in ("firing", "capture"):
        raise LabelError(f"{where}: kind {kind!r}, expected 'firing' or 'capture'")
    made: type[FiringLabel] | type[CaptureMark] = FiringLabel if kind == "firing" else CaptureMark
    known = _FIELDS[made]
    if unknown := sorted(given.keys() - known):
        raise LabelError(f"{where}: unknown field {unknown[0]!r}; known: {', '.join(sorted(known))}")
    try:
        for name in given.keys() & {"coil_on_s", "coil_off_s", "aids", "channels"}:
            given[name] = tuple(_list(given[name], name))
        if "intervals" in given:
            given["intervals"] = tuple(tuple(_list(one, "intervals")) for one in _list(given["intervals"], "intervals"))
        return made(**given)
    except TypeError as fault:
        missing_field = str(fault).rpartition("argument")[2].strip(" s:") or str(fault)
        raise LabelError(f"{where}: field missing or of the wrong type: {missing_field}") from fault
    except LabelError as fault:
        raise LabelError(f"{where}: {fault}") from fault


def check_reader(reader: Any) -> str:
    """Return a reader id if it is one: a small letter, then up to 31 small letters, digits, ``_`` or ``-``.

    Raises
    ------
    LabelError
        Otherwise. Ids are opaque: no names of persons.

    Examples
    --------
    >>> check_reader("r01")
    'r01'
    """
    if not isinstance(reader, str) or not _READER.fullmatch(reader):
        raise LabelError(f"reader id {reader!r}: expected a small letter, then small letters, digits, '_' or '-', "
                         "32 at most, as in r01; no names of persons")  # fmt: skip
    return reader


def _line(record: LabelRecord) -> str:
    told = {"schema": SCHEMA, "kind": record.kind, **vars(record)}
    return json.dumps(told, ensure_ascii=True, allow_nan=False, separators=(",", ":"))


def _list(value: Any, name: str) -> list:
    if not isinstance(value, (list, tuple)):
        raise LabelError(f"{name} is {value!r}, expected a list")
    return list(value)


def _number(value: Any, name: str) -> float:
    # Compared, as an integer of hundreds of digits cannot become a float.
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not abs(value) < 1e300:
        raise LabelError(f"{name} is {str(value)[:40]}, expected a finite number")
    return float(value)


def _choice(value: Any, name: str, known: tuple) -> None:
    if isinstance(value, bool) or value not in known:
        raise LabelError(f"{name} is {value!r}, expected one of {', '.join(str(one) for one in known)}")


def _check_identity(record: LabelRecord) -> None:
    for name in ("entry", "label", "based_on"):
        value = getattr(record, name)
        empty = name == "based_on" and value == ""
        if not isinstance(value, str) or not (empty or _ID.fullmatch(value)):
            raise LabelError(f"{name} is {value!r}, expected 1 to 64 letters, digits, '_' or '-'")
    check_reader(record.reader)
    if not isinstance(record.capture, str) or not record.capture:
        raise LabelError("capture is missing")
    _choice(record.origin, "origin", ORIGINS)
    if not isinstance(record.blind, bool):
        raise LabelError(f"blind is {record.blind!r}, expected true or false")
    if not isinstance(record.remark, str) or len(record.remark) > LONGEST_REMARK:
        raise LabelError(f"remark: expected text of at most {LONGEST_REMARK} characters")
    if not isinstance(record.saved_at, str) or not isinstance(record.program, str):
        raise LabelError("saved_at and program are texts")
    if record.saved_at:
        try:
            datetime.fromisoformat(record.saved_at)
        except ValueError as fault:
            raise LabelError(f"saved_at is {record.saved_at!r}, expected as 2026-01-31T12:00:00+00:00") from fault


def _check_firing(label: FiringLabel) -> None:
    if not isinstance(label.channel, str) or not label.channel:
        raise LabelError("channel is missing")
    _number(label.time_s, "time_s")
    _choice(label.answer, "answer", ANSWERS)
    _choice(label.role, "role", ROLES)
    _choice(label.polarity, "polarity", (-1, 0, 1))
    _choice(label.condition, "condition", (*CONDITIONS, UNKNOWN))
    _choice(label.certainty, "certainty", CERTAINTIES)
    if not (isinstance(label.flipped, bool) and isinstance(label.deleted, bool)):
        raise LabelError("flipped and deleted are true or false")
    if isinstance(label.presentation, bool) or not isinstance(label.presentation, int) or label.presentation < 0:
        raise LabelError(f"presentation is {label.presentation!r}, expected 0, 1, 2, …")
    _number(label.shifted_s, "shifted_s")
    for name in ("burn_time_ms", "resolution_s", "duration_s"):
        if getattr(label, name) is not None and _number(getattr(label, name), name) < 0:
            raise LabelError(f"{name} is negative")
    if not all(isinstance(one, str) and len(one) <= 32 for one in (*label.aids, label.queue)):
        raise LabelError("aids and queue are short texts")
    for name in ("coil_on_s", "coil_off_s"):
        instants = [_number(one, name) for one in getattr(label, name)]
        if len(instants) > MOST_INSTANTS or instants != sorted(instants):
            raise LabelError(f"{name}: expected at most {MOST_INSTANTS} instants in time order")
    _check_intervals(label)


def _check_intervals(label: FiringLabel) -> None:
    if len(label.intervals) > MOST_INSTANTS:
        raise LabelError(f"intervals: at most {MOST_INSTANTS}")
    if label.intervals and label.answer in ("no_spark", "not_measurable"):
        raise LabelError(f"answer {label.answer} has no conduction intervals")
    if label.answer == "measured" and not label.intervals and label.burn_time_ms is None and not label.deleted:
        raise LabelError("answer measured needs a conduction interval or a burn time")
    last = -math.inf
    for number, interval in enumerate(label.intervals):
        if len(interval) != 2:
            raise LabelError(f"interval {number + 1}: expected start and stop")
        for place, end in zip(("start", "stop"), interval, strict=True):
            edge = number == (0 if place == "start" else len(label.intervals) - 1)
            if end is None and label.answer == "cut" and edge:
                continue
            if end is None:
                raise LabelError(f"interval {number + 1}: {place} is missing; only a cut firing may lack an outer end")
            if _number(end, f"{place} of interval {number + 1}") < last:
                raise LabelError(f"interval {number + 1}: {place} lies before the end of what precedes it")
            last = float(end)
        if interval == (None, None):
            raise LabelError(f"interval {number + 1}: neither start nor stop is given")
