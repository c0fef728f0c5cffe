"""Write a file so that it is either complete or not there."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


@contextmanager
def atomic_file(path: str | os.PathLike[str]) -> Iterator[Path]:
    """Give a temporary path beside ``path`` and rename it when the block ends well, delete it otherwise.

    Parameters
    ----------
    path : path
        Final place; its folder must exist.

    Yields
    ------
    Path
        Hidden temporary file with the same ending.
    """
    final = Path(path)
    handle, name = tempfile.mkstemp(prefix=".unfinished-", suffix=final.suffix, dir=final.parent)
    os.close(handle)
    temporary = Path(name)
    try:
        yield temporary
        # mkstemp makes private files; the finished one follows the person's usual permissions.
        mask = os.umask(0)
        os.umask(mask)
        os.chmod(temporary, 0o666 & ~mask)
        os.replace(temporary, final)
    finally:
        temporary.unlink(missing_ok=True)
