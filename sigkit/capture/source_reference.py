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
        """Folder part of the name, ``""`` at the top; a zip counts as a folder.

        Examples
        --------
        >>> SourceReference("north/a.zip!b.csv", "").folder, SourceReference("a.csv", "").folder
        ('north/a.zip', '')
        """
        return self.name[: len(folder_prefix(self.name))].rstrip("/!")

    @property
    def location(self) -> str:
        """Full path or address with the members behind it."""
        return "!".join([self.path, *self.members])


def folder_prefix(name: str) -> str:
    """Return what stands before the file name, with its ``/`` or ``!``."""
    cut = max(name.rfind("/"), name.rfind("!")) + 1
    return name[:cut]


@dataclass(frozen=True)
class Rejection:
    """A source that cannot be used, and what to do about it."""

    capture: str
    place: str
    reason: str
    remedy: str
    size_bytes: int = 0
