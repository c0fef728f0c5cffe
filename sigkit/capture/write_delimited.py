"""Write CSV and other delimited text."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np

from sigkit.types.capture import Capture

#: Rows formatted in one go, to keep memory flat.
_ROWS = 65_536


def write_delimited(capture: Capture, path: Path, separator: str = ",", decimal: str = ".") -> tuple[str, ...]:
    """Write a time column and one column a channel, in V or A, under a header of statements.

    Values, rate, start and names come back exactly (numbers are written in the shortest form that reads back to
    the same float). The stored integers, their scale and the full scale do not: values come back as floats.

    Parameters
    ----------
    capture : Capture
    path : Path
    separator : str
        One of ``,`` ``;`` tab ``|``.
    decimal : str
        ``"."`` or ``","``.

    Raises
    ------
    ValueError
        When channels differ in rate, start or length.
    """
    channels = capture.channels
    if len({(channel.sample_rate_Hz, channel.start_s, len(channel)) for channel in channels}) > 1:
        raise ValueError("channels that differ in rate, start or length do not fit into one table; write npz")
    first = channels[0]
    said = {"sample_rate_Hz": repr(float(first.sample_rate_Hz)), "start_s": repr(float(first.start_s)),
            "channel_names": "|".join(channel.name for channel in channels),
            "kind": "|".join(channel.kind for channel in channels)}
    if capture.time_origin:
        said["time_origin"] = capture.time_origin
    if capture.engine_speed_rpm is not None:
        said["engine_speed_rpm"] = repr(float(capture.engine_speed_rpm))
    names = ["time (s)", *(f"{channel.name} ({channel.unit})" if channel.unit else channel.name
                           for channel in channels)]
    with open(path, "w", encoding="utf-8", newline="") as stream:
        for key, value in said.items():
            stream.write(f"# {key}: {value}\n")
        csv.writer(stream, delimiter=separator, lineterminator="\n").writerow(names)
        for begin in range(0, len(first), _ROWS):
            end = min(begin + _ROWS, len(first))
            time = first.start_s + np.arange(begin, end) / first.sample_rate_Hz
            columns = [[f"{stamp:.12g}" for stamp in time.tolist()]]
            columns += [[repr(value) for value in channel.values(begin, end).tolist()] for channel in channels]
            for row in zip(*columns, strict=True):
                line = separator.join(row)
                stream.write((line.replace(".", ",") if decimal == "," else line) + "\n")
    lost = ["full scale"]
    if any(channel.scale != 1 or channel.zero != 0 or channel.samples.dtype != np.float64 for channel in channels):
        lost.append("stored integers and their scale")
    return tuple(lost)
