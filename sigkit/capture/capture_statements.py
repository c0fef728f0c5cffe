"""The statements that array formats keep beside the samples, one entry a channel."""

from __future__ import annotations

from typing import Any

from sigkit.types.capture import Capture


def capture_statements(capture: Capture) -> dict[str, Any]:
    """Return rate, start, scale, zero, unit, kind, names and full scale of a capture as lists.

    `sigkit.capture.file_facts.read_facts` understands them again. NaN stands for an unknown full scale.

    Examples
    --------
    >>> import numpy as np
    >>> from sigkit.types.channel import Channel
    >>> capture_statements(Capture("a", (Channel("U", np.zeros(3), 1e5),)))["sample_rate"]
    [100000.0]
    """
    channels = capture.channels
    limits = [channel.full_scale or (float("nan"), float("nan")) for channel in channels]
    said: dict[str, Any] = {
        "channel_names": [channel.name for channel in channels],
        "sample_rate": [float(channel.sample_rate_Hz) for channel in channels],
        "start_s": [float(channel.start_s) for channel in channels],
        "scale": [float(channel.scale) for channel in channels],
        "zero": [float(channel.zero) for channel in channels],
        "unit": [channel.unit for channel in channels],
        "kind": [channel.kind for channel in channels],
        "full_scale_low": [float(low) for low, _ in limits],
        "full_scale_high": [float(high) for _, high in limits],
    }
    if capture.time_origin:
        said["time_origin"] = capture.time_origin
    if capture.engine_speed_rpm is not None:
        said["engine_speed_rpm"] = float(capture.engine_speed_rpm)
    return said
