"""Write MATLAB files, version 5."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from sigkit.capture.capture_statements import capture_statements
from sigkit.types.capture import Capture


def write_matlab(capture: Capture, path: Path) -> tuple[str, ...]:
    """Write one array a channel and the statements beside them. Nothing is lost."""
    from scipy.io import savemat

    held = {f"channel_{number}": np.asarray(channel.samples) for number, channel in enumerate(capture.channels)}
    said = {key: np.asarray(value) for key, value in capture_statements(capture).items()}
    with open(path, "wb") as stream:
        savemat(stream, {**held, **said}, oned_as="column")
        # The header's text names the time of writing; a fixed one keeps equal captures equal files.
        stream.seek(0)
        stream.write(b"MATLAB 5.0 MAT-file, written by sigkit".ljust(116))
    return ()
