"""The captures of a data set, opened when they are looked at; nothing outside the data set is ever opened."""

from __future__ import annotations

import csv
import threading
from collections import OrderedDict
from pathlib import Path

from sigkit.capture.open_captures import PlannedSource, open_planned, plan_opening
from sigkit.errors import SettingsError
from sigkit.label.channel_extremes import ChannelExtremes
from sigkit.types.capture import Capture

#: Files held open (our choice: memory-mapped ones cost nothing, others stay in memory).
KEPT = 6


class CaptureStore:
    """Opens captures by name and keeps the last few.

    The whole check of the data set (checksums and all) is `sigkit dataset verify`; it reads every byte, which a page
    that has to open at once must not.

    Parameters
    ----------
    dataset : path
        Data-set folder; its captures lie in ``captures/``.

    Attributes
    ----------
    files : tuple of str
        Capture files, as in ``manifest.csv``; all files found where there is no manifest yet.

    Raises
    ------
    SettingsError
        When the folder is no data set, or the manifest lists a file that is not in it.
    """

    def __init__(self, dataset: Path) -> None:
        self.folder = dataset
        captures = dataset / "captures"
        if not captures.is_dir():
            raise SettingsError(f"{dataset}: no data set, as it has no folder {captures.name}/; give the folder "
                                "of a data set, or make one with sigkit dataset new")  # fmt: skip
        home = dataset.resolve()
        plan = plan_opening([str(captures)])
        self._planned: dict[str, PlannedSource] = {}
        for one in plan.sources:
            if Path(one.reference.path).resolve().is_relative_to(home):
                self._planned[one.reference.name] = one
        self.files = self._listed(dataset / "manifest.csv")
        self._open: OrderedDict[str, list[Capture]] = OrderedDict()
        self._extremes: dict[tuple[str, int], ChannelExtremes] = {}
        self._guard = threading.Lock()

    def _listed(self, manifest: Path) -> tuple[str, ...]:
        if not manifest.is_file():
            return tuple(self._planned)
        with open(manifest, newline="", encoding="utf-8-sig") as stream:
            names = [row.get("capture") or "" for row in csv.DictReader(stream)]
        for name in names:
            if name not in self._planned:
                raise SettingsError(f"{manifest}: the capture {name!r} is not in captures/; see sigkit dataset verify")
        return tuple(names)

    def has(self, name: str) -> bool:
        """Tell whether a capture's file belongs to the data set."""
        return file_of(name) in self.files

    def sweeps(self, file: str) -> list[Capture]:
        """Return every capture of one file.

        Raises
        ------
        SettingsError
            When the data set has no such file.
        CaptureError
            When it cannot be read.
        """
        with self._guard:
            if file not in self.files:
                raise SettingsError(f"the data set has no capture file {file!r}")
            if file not in self._open:
                self._open[file] = open_planned(self._planned[file])
            self._open.move_to_end(file)
            while len(self._open) > KEPT:
                gone, _ = self._open.popitem(last=False)
                self._extremes = {key: one for key, one in self._extremes.items() if file_of(key[0]) != gone}
            return self._open[file]

    def capture(self, name: str) -> Capture:
        """Return one capture; see `sweeps`."""
        for one in self.sweeps(file_of(name)):
            if one.name == name:
                return one
        raise SettingsError(f"the file {file_of(name)!r} has no capture {name!r}")

    def extremes(self, name: str, channel: int) -> ChannelExtremes:
        """Return what cuts traces from a channel, by its number."""
        capture = self.capture(name)
        with self._guard:
            key = (name, channel)
            if key not in self._extremes:
                self._extremes[key] = ChannelExtremes(capture.channels[channel])
            return self._extremes[key]


def file_of(capture: str) -> str:
    """Return the file a capture's name stands for.

    Examples
    --------
    >>> file_of("a/b.csv#sweep-2"), file_of("a.zip!b.wav")
    ('a/b.csv', 'a.zip!b.wav')
    """
    return capture.partition("#sweep-")[0]
