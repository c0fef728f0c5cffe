"""Contract of a reader: one file format."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import BinaryIO, Protocol, runtime_checkable

from sigkit.types.capture import Capture


@dataclass(frozen=True)
class ReadOptions:
    """What sidecar, profile and command line say before a file is read.

    Attributes
    ----------
    sample_rate_Hz : float or None
        Used where the file gives none; a disagreement with the file is a warning and the file wins.
    array : str or None
        Name of the array (HDF5, npz, mat) or column to take as samples.
    full_scale_V : float or None
        Volts of full scale, for WAV.
    extra : dict
    """

    sample_rate_Hz: float | None = None
    array: str | None = None
    full_scale_V: float | None = None
    extra: dict[str, str] = field(default_factory=dict)


@runtime_checkable
class Reader(Protocol):
    """Reads one format.

    Attributes
    ----------
    name : str
        Registered name.
    suffixes : tuple of str
        Usual endings, lower case, with the dot; only a hint.
    """

    name: str
    suffixes: tuple[str, ...]

    def sniff(self, head: bytes, name: str) -> float:
        """Return how likely the content is of this format, 0 to 1, from its first bytes (content first)."""
        ...

    def read(self, source: str | BinaryIO, name: str, options: ReadOptions) -> Sequence[Capture]:
        """Read a local path or an open binary stream into captures (several when it holds several sweeps).

        Raises
        ------
        sigkit.errors.CaptureError
            With place, reason and remedy, when it cannot be used.
        """
        ...
