"""Read WAV files."""

from __future__ import annotations

import os
import struct
import warnings
from collections.abc import Sequence
from typing import BinaryIO

import numpy as np

from sigkit.capture.assemble_captures import Origin, finish_capture, settle_rate
from sigkit.capture.file_facts import FileFacts
from sigkit.contracts.reader import ReadOptions
from sigkit.types.capture import Capture
from sigkit.types.channel import Channel


class WavReader:
    """Reads integer (8 to 64 bit) and float WAV, memory-mapped when it is a local file (24 bit excepted).

    Samples are fractions of full scale (unit ``""``) unless ``full_scale_V`` is given: then volts.
    """

    name = "wav"
    suffixes = (".wav", ".wave", ".rf64")
    expects = "begins with RIFF/RIFX/RF64 and WAVE"

    def sniff(self, head: bytes, name: str) -> float:
        """Return 1 for a RIFF header of type WAVE."""
        return 1.0 if head[:4] in (b"RIFF", b"RIFX", b"RF64") and head[8:12] == b"WAVE" else 0.0

    def read(self, source: str | BinaryIO, name: str, options: ReadOptions) -> Sequence[Capture]:
        """Read a path or stream; see the contract `sigkit.contracts.reader.Reader`."""
        from scipy.io import wavfile

        origin = Origin(source if isinstance(source, str) else name, name, self.name)
        try:
            if isinstance(source, str):
                with open(source, "rb") as stream:
                    bits, block = _walk(stream, origin)
            else:
                bits, block = _walk(source, origin)
                source.seek(0)
            container = bits // 8
            with warnings.catch_warnings():
                # Unknown chunks are no fault; truncation was looked for above.
                warnings.simplefilter("ignore", wavfile.WavFileWarning)
                mapped = isinstance(source, str) and container in (1, 2, 4, 8) and bits % 8 == 0
                rate, samples = wavfile.read(source, mmap=mapped)
        except (ValueError, OSError, EOFError, struct.error, MemoryError, TypeError, OverflowError) as fault:
            raise origin.error(f"damaged or unusual WAV file: {fault}",
                               "export as uncompressed (PCM or float) WAV") from fault
        if samples.size == 0 or block == 0:
            raise origin.error("the file holds no samples", "record again, or close the recording before copying",
                               "chunk data")
        zero, step = _step(samples.dtype)
        full_scale_V = options.full_scale_V
        factor = step * (full_scale_V if full_scale_V is not None else 1.0)
        top = full_scale_V if full_scale_V is not None else 1.0
        # Float samples may exceed full scale, so they have no limit.
        limit = None if samples.dtype.kind == "f" else (-top, (1.0 - step * _lowest_step(bits, samples.dtype)) * top)
        columns = samples.reshape(len(samples), -1)
        settled = settle_rate(float(rate), None, options, origin, len(samples))
        channels = [
            Channel(name=f"channel_{number + 1}", samples=columns[:, number], sample_rate_Hz=settled, scale=factor,
                    zero=zero, unit="V" if full_scale_V is not None else "", full_scale=limit)
            for number in range(columns.shape[1])
        ]
        return [finish_capture(channels, FileFacts(), origin)]


def _step(dtype: np.dtype) -> tuple[float, float]:
    """Return stored zero and fraction of full scale per stored step (8 bit is offset binary, RIFF of 1991)."""
    if dtype.kind == "f":
        return 0.0, 1.0
    if dtype == np.uint8:
        return 128.0, 1.0 / 128.0
    return 0.0, 2.0 ** -(8 * dtype.itemsize - 1)


def _lowest_step(bits: int, dtype: np.dtype) -> float:
    """Return stored steps between neighbouring codes: 24 bits are read left-aligned into 32."""
    return 2.0 ** (8 * dtype.itemsize - bits) if 0 < bits <= 8 * dtype.itemsize else 1.0


def _walk(stream: BinaryIO, origin: Origin) -> tuple[int, int]:
    """Walk the chunks; return bits a sample and bytes of data.

    scipy only warns of a short file and then returns what is there, so the sizes are compared here.
    """
    size = stream.seek(0, os.SEEK_END)
    stream.seek(0)
    kind = stream.read(12)[:4]
    order = ">" if kind == b"RIFX" else "<"
    bits, large = 0, 0
    for _ in range(10_000):
        place = stream.tell()
        head = stream.read(8)
        if len(head) < 8:
            break
        label, length = head[:4], struct.unpack(order + "I", head[4:])[0]
        if label == b"ds64":
            large = struct.unpack("<QQ", stream.read(16))[1]
            stream.seek(place + 8)
        if label == b"fmt ":
            bits = struct.unpack(order + "H", stream.read(16)[14:16])[0]
            stream.seek(place + 8)
        if label == b"data":
            if length == 0xFFFFFFFF and large:
                length = large
            if place + 8 + length > size:
                raise origin.error(
                    f"the header promises {length} bytes of samples, but only {size - place - 8} follow: the file is "
                    "cut off", "copy the file again, or let the recorder close it", f"byte {place}")
            if bits == 0:
                raise origin.error("samples come before the format", "export the file again", f"byte {place}")
            return bits, length
        stream.seek(place + 8 + length + length % 2)
    raise origin.error("no samples found: the chunk called data is missing", "copy or export the file again",
                       f"byte {size}")
