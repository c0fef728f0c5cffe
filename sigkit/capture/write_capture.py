"""Write a capture in any of the formats that sigkit reads."""

from __future__ import annotations

import os
from collections.abc import Callable
from importlib import import_module
from pathlib import Path

from sigkit.capture.atomic_file import atomic_file
from sigkit.types.capture import Capture

#: Format -> module, function and usual endings.
WRITERS: dict[str, tuple[str, str, tuple[str, ...]]] = {
    "delimited": ("sigkit.capture.write_delimited", "write_delimited", (".csv", ".txt")),
    "wav": ("sigkit.capture.write_wav", "write_wav", (".wav",)),
    "npz": ("sigkit.capture.write_numpy", "write_npz", (".npz",)),
    "npy": ("sigkit.capture.write_numpy", "write_npy", (".npy",)),
    "hdf5": ("sigkit.capture.write_hdf5", "write_hdf5", (".h5", ".hdf5")),
    "matlab": ("sigkit.capture.write_matlab", "write_matlab", (".mat",)),
    "parquet": ("sigkit.capture.write_arrow", "write_parquet", (".parquet",)),
    "arrow": ("sigkit.capture.write_arrow", "write_ipc", (".arrow", ".feather")),
}


def write_capture(capture: Capture, path: str | os.PathLike[str], format: str | None = None) -> tuple[str, ...]:
    """Write a capture; the file is complete or not there.

    Parameters
    ----------
    capture : Capture
    path : path
        Its folder must exist. An existing file is replaced.
    format : str, optional
        A key of `WRITERS`; by default told from the ending.

    Returns
    -------
    tuple of str
        What this format cannot hold and was therefore lost. npz, HDF5, MATLAB and Arrow lose nothing of the
        samples, rate, start, scale, unit, kind, names and full scale.

    Raises
    ------
    ValueError
        When the format is unknown or cannot hold the capture; the text names one that can.

    Examples
    --------
    >>> import tempfile, numpy as np
    >>> from sigkit.types.channel import Channel
    >>> capture = Capture("a", (Channel("U", np.arange(5), 1e5, start_s=-0.1, scale=0.5, unit="V"),))
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     write_capture(capture, folder + "/a.npz")
    ()
    """
    if not capture.channels:
        raise ValueError(f"capture {capture.name!r} has no channels to write")
    ending = Path(path).suffix.lower()
    if format is None:
        format = next((name for name, (_, _, endings) in WRITERS.items() if ending in endings), None)
        if format is None:
            known = ", ".join(end for _, _, endings in WRITERS.values() for end in endings)
            raise ValueError(f"cannot tell the format from the ending {ending!r}; known endings: {known}")
    if format not in WRITERS:
        raise ValueError(f"unknown format {format!r}; known: {', '.join(WRITERS)}")
    module, function, _ = WRITERS[format]
    write: Callable[[Capture, Path], tuple[str, ...]] = getattr(import_module(module), function)
    with atomic_file(path) as temporary:
        return write(capture, temporary)
