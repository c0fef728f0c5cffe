"""The captures of one split in a folder of their own, with what sidecars and profiles say of them and nothing else."""

from __future__ import annotations

import csv
import shutil
import zipfile
from pathlib import Path

from sigkit.capture.profile import ENDING as PROFILE_ENDING
from sigkit.capture.profile import read_profile
from sigkit.capture.sidecar import FILE_NAME, parse_sidecar
from sigkit.corpus.dataset import CAPTURES, Dataset

#: Column of a sidecar that is free text, in which anything may stand.
_FREE_TEXT = "note"


def copy_captures(dataset: Dataset, split: str, folder: Path) -> None:
    """Copy the captures of a split, and the lines of the sidecars and the profiles that speak of them.

    A zip is written anew with the members of the split alone.

    Parameters
    ----------
    dataset : Dataset
    split : str
    folder : Path
        Made here.
    """
    folder.mkdir(parents=True)
    home = dataset.folder / CAPTURES
    names = set(dataset.capture_names(split))
    members: dict[str, list[str]] = {}
    for name in sorted(names):
        archive, _, member = name.partition("!")
        if member and not (home / name).is_file():
            members.setdefault(archive, []).append(member)
        else:
            _copy(home, folder, name)
    for archive, wanted in members.items():
        (folder / archive).parent.mkdir(parents=True, exist_ok=True)
        with zipfile.ZipFile(home / archive) as source, zipfile.ZipFile(folder / archive, "w") as target:
            for member in wanted:
                target.writestr(member, source.read(member))
    engines = {engine for engine, where in dataset.splits.items() if where == split}
    for path in sorted(home.rglob(f"*{PROFILE_ENDING}")):
        if read_profile(path).engine in engines:
            _copy(home, folder, path.relative_to(home).as_posix())
    for path in sorted(home.rglob(FILE_NAME)):
        _copy_lines(path, folder / path.relative_to(home), _spoken_of(names, path.parent.relative_to(home)))


def _copy(home: Path, folder: Path, name: str) -> None:
    (folder / name).parent.mkdir(parents=True, exist_ok=True)
    shutil.copyfile(home / name, folder / name)


def _spoken_of(names: set[str], place: Path) -> set[str]:
    """Return what a sidecar in this folder may call the captures: by path from it, or by file name alone."""
    prefix = "" if place == Path() else f"{place.as_posix()}/"
    below = [name.removeprefix(prefix) for name in names if name.startswith(prefix)]
    return {*below, *(name.replace("!", "/").rsplit("/", 1)[-1] for name in below)}


def _copy_lines(sidecar: Path, copy: Path, captures: set[str]) -> None:
    kept = [row for row in parse_sidecar(sidecar.read_bytes(), sidecar.name) if row.capture in captures]
    if not kept:
        return
    columns = dict.fromkeys(column for row in kept for column, _ in row.values if column != _FREE_TEXT)
    copy.parent.mkdir(parents=True, exist_ok=True)
    with copy.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, list(columns), extrasaction="ignore", lineterminator="\n")
        writer.writeheader()
        writer.writerows(dict(row.values) for row in kept)
