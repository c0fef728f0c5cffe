"""Write the sweeps of one recording into one file, so that they stay one recording."""

from __future__ import annotations

import os
from collections.abc import Sequence
from typing import Any

import numpy as np

from sigkit.capture.atomic_file import atomic_file
from sigkit.capture.write_numpy import capture_arrays
from sigkit.types.capture import Capture


def write_sweeps(captures: Sequence[Capture], path: str | os.PathLike[str]) -> None:
    """Write an uncompressed npz with a group of arrays for each sweep; the file is complete or not there.

    Reading it gives captures named ``file#sweep-1``, ``file#sweep-2``, ... of one recording, with all that
    `sigkit.capture.write_capture.write_capture` keeps of one.

    Parameters
    ----------
    captures : sequence of Capture
        The sweeps in order, two at least, with as many channels each.
    path : path
        Ends with ``.npz``; its folder must exist. An existing file is replaced.

    Raises
    ------
    ValueError
        When there are fewer than two sweeps, they differ in their channels, or the name has another ending.

    Examples
    --------
    >>> import tempfile
    >>> from sigkit.capture.open_captures import open_captures
    >>> from sigkit.types.channel import Channel
    >>> sweeps = [Capture(f"s{k}", (Channel("U", np.arange(9) + k, 1e5, unit="V"),)) for k in range(3)]
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     write_sweeps(sweeps, folder + "/a.npz")
    ...     [one.name for one in open_captures([folder + "/a.npz"])]
    ['a.npz#sweep-1', 'a.npz#sweep-2', 'a.npz#sweep-3']
    """
    if not str(path).lower().endswith(".npz"):
        raise ValueError(f"{path}: sweeps are written as npz; choose a name that ends with .npz")
    counts = {len(capture.channels) for capture in captures}
    if len(captures) < 2 or len(counts) != 1 or counts == {0}:
        raise ValueError(f"{path}: {len(captures)} sweeps of {sorted(counts)} channels; give two sweeps at least, "
                         "with as many channels each")  # fmt: skip
    arrays: dict[str, Any] = {}
    for number, capture in enumerate(captures, start=1):
        arrays |= capture_arrays(capture, f"sweep_{number}/")
    with atomic_file(path) as temporary, open(temporary, "wb") as stream:
        np.savez(stream, **arrays)
