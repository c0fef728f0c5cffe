"""The output folder of a run: it appears whole, or not at all."""

from __future__ import annotations

import json
import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from sigkit.errors import SettingsError

#: Everything a run writes (design section 5).
REPORT_FILES = (
    "firings.parquet",
    "firings.csv",
    "intervals.parquet",
    "captures.csv",
    "rejected.csv",
    "report.html",
    "run.json",
)
#: What ``run.json`` says of who wrote it; an existing folder is replaced only when it says the same.
PROGRAM = "sigkit screen"


def is_report_folder(folder: str | Path) -> bool:
    """Tell whether a folder is the output of an earlier run."""
    try:
        record = json.loads((Path(folder) / "run.json").read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return False
    return isinstance(record, dict) and record.get("program") == PROGRAM


def check_output_folder(out: str | Path, overwrite: bool = False) -> Path:
    """Return the output folder as a path when a run may write there.

    Parameters
    ----------
    out : path
    overwrite : bool
        Allow to replace the output of an earlier run. Anything else is never replaced.

    Raises
    ------
    SettingsError
        When it exists and may not be replaced.
    """
    out = Path(out)
    if out.is_dir() and not any(out.iterdir()):
        return out
    if out.exists() or out.is_symlink():
        if not overwrite:
            raise SettingsError(f"{out} exists already. Choose another --out, or replace it with --overwrite")
        if out.is_symlink() or not is_report_folder(out):
            raise SettingsError(
                f"{out} is not the output of an earlier run, so --overwrite does not replace it. "
                "Choose another --out"
            )
        foreign = sorted(part.name for part in out.iterdir() if part.name not in REPORT_FILES)
        if foreign:
            raise SettingsError(
                f"{out} also holds {', '.join(foreign[:5])}, which --overwrite would delete. "
                "Move that away, or choose another --out"
            )
    return out


@contextmanager
def report_folder(out: str | Path, overwrite: bool = False) -> Iterator[Path]:
    """Give a temporary folder beside ``out`` that becomes ``out`` when the block ends without an error.

    An error or an interruption removes the temporary folder and leaves an earlier ``out`` as it was.

    Parameters
    ----------
    out : path
        Final folder; see `check_output_folder`.
    overwrite : bool

    Yields
    ------
    pathlib.Path

    Raises
    ------
    SettingsError
        When ``out`` may not be written.

    Examples
    --------
    >>> home = Path(tempfile.mkdtemp())
    >>> with report_folder(home / "report") as folder:
    ...     _ = (folder / "note.txt").write_text("whole")
    >>> [path.name for path in home.iterdir()]
    ['report']
    """
    out = check_output_folder(out, overwrite)
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
        work = Path(tempfile.mkdtemp(prefix=f".{out.name}.unfinished-", dir=out.parent))
    except OSError as error:
        raise SettingsError(f"cannot write beside {out}: {error.strerror}. Choose another --out") from error
    try:
        yield work
        os.chmod(work, 0o777 & ~_umask())
        _put_in_place(work, out)
    finally:
        shutil.rmtree(work, ignore_errors=True)


def _put_in_place(work: Path, out: Path) -> None:
    if not out.exists():
        os.rename(work, out)
        return
    # Two renames: an earlier output is out of the way for an instant only, and comes back on failure.
    aside = Path(tempfile.mkdtemp(prefix=f".{out.name}.replaced-", dir=out.parent))
    os.rename(out, aside / out.name)
    try:
        os.rename(work, out)
    except OSError:
        os.rename(aside / out.name, out)
        raise
    finally:
        shutil.rmtree(aside, ignore_errors=True)


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
