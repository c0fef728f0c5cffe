"""Write HDF5 files."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from sigkit.capture.capture_statements import capture_statements
from sigkit.types.capture import Capture


def write_hdf5(capture: Capture, path: Path) -> tuple[str, ...]:
    """Write one data set a channel and the statements as attributes. Nothing is lost."""
    import h5py

    with h5py.File(path, "w") as file:
        for number, channel in enumerate(capture.channels):
            file.create_dataset(f"channel_{number}", data=np.asarray(channel.samples))
        for key, value in capture_statements(capture).items():
            file.attrs[key] = value
    return ()
