"""Make an empty data set and put captures into it, stripped of everything private."""

from __future__ import annotations

import csv
import os
import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from sigkit.capture.atomic_file import atomic_file
from sigkit.capture.open_captures import open_planned, plan_opening
from sigkit.capture.sidecar import COLUMNS as SIDECAR_COLUMNS
from sigkit.capture.sidecar import FILE_NAME as SIDECAR
from sigkit.capture.sidecar import IGNITION_TYPES, read_sidecar
from sigkit.capture.write_capture import write_capture
from sigkit.corpus.describe import Statement, write_description
from sigkit.corpus.description import own_part, read_description
from sigkit.corpus.manifest import CAPTURE_ORIGINS, manifest_columns, manifest_rules, read_manifest
from sigkit.corpus.manifest import FILE_NAME as MANIFEST
from sigkit.corpus.typed_csv import write_typed_csv
from sigkit.errors import CaptureError, DatasetError
from sigkit.provenance import file_hash
from sigkit.types.capture import Capture

_WORD = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,39}")
_CONTRIBUTOR = re.compile(r"c[0-9]{2,4}")
_NEUTRAL = {"secondary_voltage": "lead", "primary_voltage": "primary", "coil_current": "current",
            "synchronising_pulse": "sync", "unknown": "channel"}  # fmt: skip
#: Statements of files that say what the capture itself carries.
_TAKEN_OVER = frozenset({"sample_rate_Hz", "sample_rate", "start_s", "kind", "engine_speed_rpm", "channel_names",
                         "full_scale_low", "full_scale_high", "scale", "zero", "unit"})  # fmt: skip


@dataclass(frozen=True)
class ImportReport:
    """What an import did.

    Attributes
    ----------
    names : tuple of str
        Captures written, as in the manifest.
    left_out : tuple of str
        What the files held beside samples and was not taken over, by name only.
    rejected : tuple of str
        Files that could not be used, with the reason.
    repeated : tuple of str
        Files whose samples the data set holds already.
    """

    names: tuple[str, ...]
    left_out: tuple[str, ...]
    rejected: tuple[str, ...] = ()
    repeated: tuple[str, ...] = field(default=())


def new_dataset(folder: str | Path, statement: Statement) -> None:
    """Make the folder of an empty data set: ``captures/``, ``labels/``, manifest and metadata.

    Raises
    ------
    DatasetError
        When the folder holds something already.
    """
    home = Path(folder)
    if home.exists() and (not home.is_dir() or any(home.iterdir())):
        raise DatasetError(str(home), "is there already and is no empty folder", "choose another name")
    for part in ("captures", "labels"):
        (home / part).mkdir(parents=True)
    write_typed_csv(home / MANIFEST, manifest_columns([], manifest_rules({})), [])
    write_description(home, statement)


def import_captures(
    folder: str | Path, what: Sequence[str], *, engine: str, origin: str, ignition_type: str = "",
    cylinders: Sequence[str] = (), contributor: str = "", instrument: str = "", note: str = "",
    sample_rate_Hz: float | None = None,
) -> ImportReport:  # fmt: skip
    """Put captures of one engine into a data set.

    Samples, rate, scale, kind, speed, cylinder, coil and pickup ratio are taken over, into npz files with names of
    our own. File names, channel names, dates, positions, serials and remarks of the files are not. Time starts at
    each capture's own axis, without a date.

    Parameters
    ----------
    folder : path
        The data set.
    what : sequence of str
        Files or folders, as in `sigkit.capture.plan_opening.plan_opening`.
    engine : str
        Opaque word for the engine.
    origin : str
        ``simulated``, ``recorded`` or ``drawn``.
    ignition_type : str
        Where neither file nor sidecar says so.
    cylinders : sequence of str
        Cylinder of each channel, where neither file nor sidecar says so.
    contributor : str
        Opaque id such as c01.
    instrument, note : str
        Free texts, shown for review before any export.
    sample_rate_Hz : float, optional
        Where the files give none.

    Returns
    -------
    ImportReport

    Raises
    ------
    DatasetError
        When a word is not allowed, the engine is known with another ignition type, or no file can be used.
    """
    home = Path(folder)
    told = read_description(home)
    rules = manifest_rules(own_part(told).get("columns") or {})
    rows = read_manifest(home, rules)
    _check_words(engine, origin, ignition_type, contributor)
    plan = plan_opening(list(what), leads=list(cylinders), sample_rate_Hz=sample_rate_Hz)
    rejected = [f"{one.capture}: {one.reason}" for one in plan.rejections]
    opened: list[Capture] = []
    for planned in plan.sources:
        try:
            opened += open_planned(planned)
        except CaptureError as fault:
            rejected.append(str(fault))
    if not opened:
        why = f" ({rejected[0]})" if rejected else ""
        raise DatasetError(", ".join(what), f"no file of it can be used as a capture{why}", "give files of captures")
    known = {row["ignition_type"] for row in rows if row["engine"] == engine and row.get("ignition_type")}
    kinds = {capture.ignition_type or ignition_type for capture in opened} - {""} | known
    if len(kinds) > 1:
        raise DatasetError(engine, f"has {' and '.join(sorted(kinds))} ignition by its files and by what was given",
                           "one engine has one kind of ignition; correct one of them")  # fmt: skip
    place = home / "captures" / engine
    place.mkdir(parents=True, exist_ok=True)
    number = _last_number(place, engine)
    written, left_out, repeated, lines = [], set(), [], []
    held = {file_hash(path) for path in place.glob("*.npz")}
    for capture in opened:
        kind = capture.ignition_type or ignition_type
        clean, dropped = strip_private(capture, engine, kind)
        number += 1
        name = f"{engine}/{engine}-{number:03d}.npz"
        write_capture(clean, home / "captures" / name)
        digest = file_hash(home / "captures" / name)
        left_out |= dropped
        if digest in held:
            (home / "captures" / name).unlink()
            repeated.append(Path(capture.source or capture.name).name)
            number -= 1
            continue
        held.add(digest)
        written.append(name)
        lines += _sidecar_lines(clean, name)
        cylinder = "|".join(channel.cylinder for channel in clean.channels)
        rows.append({"capture": name, "engine": engine, "cylinder": cylinder.strip("|") and cylinder,
                     "ignition_type": kind, "channels": len(clean.channels), "origin": origin,
                     "instrument": instrument, "contributor": contributor, "note": note, "sha256": digest})  # fmt: skip
    append_sidecar(home / "captures" / SIDECAR, lines)
    write_typed_csv(home / MANIFEST, manifest_columns(rows, rules), rows)
    write_description(home)
    return ImportReport(tuple(written), tuple(sorted(left_out)), tuple(rejected), tuple(repeated))


def strip_private(capture: Capture, engine: str, ignition_type: str) -> tuple[Capture, set[str]]:
    """Return the capture with nothing but what measurements need, and the names of what was left out.

    Examples
    --------
    >>> import numpy as np
    >>> from sigkit.types.channel import Channel
    >>> one = Capture("boat.csv", (Channel("U of Ann's boat", np.arange(3), 1e5),), metadata={"serial": "123"})
    >>> clean, dropped = strip_private(one, "e01", "")
    >>> clean.channels[0].name, clean.metadata, sorted(dropped)
    ('channel_1', {}, ['channel names', 'file name', 'serial'])
    """
    dropped = {"file name", *(key for key in capture.metadata if key not in _TAKEN_OVER)}
    dropped |= {word for word, value in (("date and time", capture.time_origin), ("note", capture.note)) if value}
    counts: dict[str, int] = {}
    channels = []
    for channel in capture.channels:
        word = _NEUTRAL.get(channel.kind, "channel")
        counts[word] = counts.get(word, 0) + 1
        name = f"{word}_{counts[word]}"
        if name != channel.name:
            dropped.add("channel names")
        # Words of a person may sit where a lead, a cylinder or a coil belongs: short words only.
        told = {part: getattr(channel, part) if len(getattr(channel, part)) <= 3 else "" for part in
                ("lead", "cylinder", "coil")}  # fmt: skip
        dropped |= {part for part, value in told.items() if value != getattr(channel, part)}
        channels.append(channel.with_(name=name, **told))
    clean = Capture("capture", tuple(channels), engine=engine, ignition_type=ignition_type,
                    engine_speed_rpm=capture.engine_speed_rpm)  # fmt: skip
    return clean, dropped


def append_sidecar(path: Path, lines: Sequence[dict[str, str]]) -> None:
    """Add lines to the data set's sidecar; the file is complete or as before."""
    there = [dict(row.values) for row in read_sidecar(path)] if path.exists() else []
    with atomic_file(path) as temporary, open(temporary, "w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, SIDECAR_COLUMNS, restval="", lineterminator="\n")
        writer.writeheader()
        writer.writerows([*there, *lines])


def _check_words(engine: str, origin: str, ignition_type: str, contributor: str) -> None:
    if not _WORD.fullmatch(engine):
        raise DatasetError("engine", f"{engine!r} is no plain word", "use letters, digits, - and _, such as e01, and "
                           "nothing that tells a person, a place or a plate")  # fmt: skip
    if origin not in CAPTURE_ORIGINS:
        raise DatasetError("origin", f"{origin!r} is not known", f"use one of {', '.join(CAPTURE_ORIGINS)}")
    if ignition_type and ignition_type not in IGNITION_TYPES:
        known = ", ".join(IGNITION_TYPES)
        raise DatasetError("ignition type", f"{ignition_type!r} is not known", f"use one of {known}")
    if contributor and not _CONTRIBUTOR.fullmatch(contributor):
        raise DatasetError("contributor", f"{contributor!r} is no opaque id", "use c and digits, such as c01")


def _last_number(place: Path, engine: str) -> int:
    found = [re.fullmatch(re.escape(engine) + r"-(\d+)\.npz", name) for name in os.listdir(place)]
    return max((int(one[1]) for one in found if one), default=0)


def _sidecar_lines(capture: Capture, name: str) -> list[dict[str, str]]:
    speed = "" if capture.engine_speed_rpm is None else f"{capture.engine_speed_rpm:.12g}"
    return [
        {"capture": name, "channel": channel.name, "kind": channel.kind, "engine": capture.engine,
         "pickup_ratio": "" if channel.pickup_ratio is None else f"{channel.pickup_ratio:.12g}",
         "cylinder": channel.cylinder or channel.lead, "coil": channel.coil,
         "ignition_type": capture.ignition_type, "engine_speed_rpm": speed}
        for channel in capture.channels
    ]  # fmt: skip
