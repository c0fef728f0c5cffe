"""Write WAV files."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from sigkit.types.capture import Capture


def write_wav(capture: Capture, path: Path) -> tuple[str, ...]:
    """Write the stored samples as they are: 8-bit unsigned, 16- or 32-bit integer, 32- or 64-bit float.

    Samples and a whole-numbered rate come back exactly; WAV has no place for start, scale, kind and names.

    Raises
    ------
    ValueError
        When the rate is not whole, or channels differ in rate, length or type, or the type has no WAV form.
    """
    from scipy.io import wavfile

    channels = capture.channels
    rate = channels[0].sample_rate_Hz
    if len({(channel.sample_rate_Hz, len(channel), np.dtype(channel.samples.dtype)) for channel in channels}) > 1:
        raise ValueError("channels that differ in rate, length or type do not fit into one WAV; write npz")
    if rate != int(rate) or not 0 < rate < 2**32:
        raise ValueError(f"a sample rate of {rate} Hz is not a whole number of hertz below 2**32; write npz")
    dtype = np.dtype(channels[0].samples.dtype)
    if dtype not in (np.uint8, np.int16, np.int32, np.float32, np.float64):
        raise ValueError(f"samples of type {dtype} have no WAV form; write npz")
    columns = np.stack([np.asarray(channel.samples) for channel in channels], axis=1)
    wavfile.write(path, int(rate), columns[:, 0] if len(channels) == 1 else columns)
    return ("start", "scale", "unit", "kind", "channel names", "full scale")
