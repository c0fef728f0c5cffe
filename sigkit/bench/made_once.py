"""Folders of a cache that several processes may want at once."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Callable
from pathlib import Path


def made_once(home: Path, make: Callable[[Path], object]) -> None:
    """Make a folder unless it is there; it is complete or not there.

    Where another process made it in the meantime, its folder stays and this one's is dropped.

    Parameters
    ----------
    home : Path
    make : callable
        Fills the empty folder it is given.
    """
    if home.is_dir():
        return
    home.parent.mkdir(parents=True, exist_ok=True)
    work = Path(tempfile.mkdtemp(prefix=".unfinished-", dir=home.parent))
    try:
        make(work)
        os.chmod(work, 0o755)
        try:
            os.replace(work, home)
        except OSError:
            if not home.is_dir():
                raise
    finally:
        shutil.rmtree(work, ignore_errors=True)
