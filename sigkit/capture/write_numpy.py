"""Write NumPy npz and npy files."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from sigkit.capture.capture_statements import capture_statements
from sigkit.types.capture import Capture


def write_npz(capture: Capture, path: Path) -> tuple[str, ...]:
    """Write an uncompressed npz: ``channel_0``, ``channel_1``, ... and the statements. Nothing is lost."""
    with open(path, "wb") as stream:
        np.savez(stream, **capture_arrays(capture))
    return ()


def capture_arrays(capture: Capture, group: str = "") -> dict[str, Any]:
    """Return what is stored of a capture, each name behind that of the group."""
    named = {f"channel_{number}": channel.samples for number, channel in enumerate(capture.channels)}
    return {f"{group}{name}": np.asarray(value) for name, value in (named | capture_statements(capture)).items()}


def write_npy(capture: Capture, path: Path) -> tuple[str, ...]:
    """Write the stored samples alone, channels as columns; all else is lost and belongs in the sidecar.

    Raises
    ------
    ValueError
        When channels differ in length.
    """
    if len({len(channel) for channel in capture.channels}) > 1:
        raise ValueError("channels of different length do not fit into one npy array; write npz")
    columns = [np.asarray(channel.samples) for channel in capture.channels]
    with open(path, "wb") as stream:
        np.save(stream, columns[0] if len(columns) == 1 else np.stack(columns, axis=1), allow_pickle=False)
    lost = ["sample rate", "start", "scale", "unit", "kind", "channel names", "full scale"]
    if len({column.dtype for column in columns}) > 1:
        lost.append("sample type")
    return tuple(lost)
