"""A capture file that has not been opened yet: what a worker needs to open it."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class SourceReference:
    """Where one file is.

    Attributes
    ----------
    name : str
        Path relative to what was listed, with ``!member`` for a file inside a zip.
    path : str
        Local path or address of the file (of the zip for a member).
    members : tuple of str
        Members of nested zips, outermost first; empty for a plain file.
    size_bytes : int
        0 when not known.
    """

    name: str
    path: str
    members: tuple[str, ...] = ()
    size_bytes: int = 0

    @property
    def folder(self) -> str:
        """Folder part of the name, ``""`` at the top."""
        return self.name.rpartition("/")[0] if "/" in self.name else self.name.rpartition("!")[0]


@dataclass(frozen=True)
class Rejection:
    """A source that cannot be used, and what to do about it."""

    capture: str
    place: str
    reason: str
    remedy: str
    size_bytes: int = 0
