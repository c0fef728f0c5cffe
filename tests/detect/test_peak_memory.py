"""Detection of a long record on disk takes a bounded amount of memory, not one that grows with the record."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

SAMPLES = 60_000_000
#: One firing in eight thousand samples; in floats the record would take 480 MB, its file takes 120.
MEASURE = """
import re, sys
import numpy as np
from sigkit.detect.block_activity import BlockActivityDetector
from sigkit.types.capture import Capture
from sigkit.types.channel import Channel

def detect(samples):
    channel = Channel("1", samples, 1e6, kind="secondary_voltage")
    return len(BlockActivityDetector().detect(Capture("long", (channel,)))[0])

def most_MB():
    # Not getrusage: that counts what the process held that started this one.
    return int(re.search(r"VmHWM:\\s+(\\d+) kB", open("/proc/self/status").read()).group(1)) / 1024

detect(np.load(sys.argv[1], mmap_mode="r")[:1_000_000])
before = most_MB()
found = detect(np.load(sys.argv[1], mmap_mode="r"))
print(found, most_MB() - before)
"""


@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="the peak is told by Linux's /proc")
def test_memory_does_not_grow_with_the_record(tmp_path):
    rng = np.random.default_rng(6)
    since = np.arange(80_000) - 12_000
    drawn = np.where((since > -4_000) & (since < 0), -250.0, 0.0)
    drawn += np.where((since > 0) & (since < 10), 6_000.0, 0.0) + np.where((since >= 10) & (since < 1_300), 900.0, 0.0)
    behind = np.maximum(since - 1_300, 0)
    drawn += np.where(behind > 0, 900.0 * np.exp(-behind / 300.0) * np.cos(2 * np.pi * 3e-3 * behind), 0.0)
    drawn = np.rint(drawn + rng.normal(0.0, 8.0, drawn.size)).astype(np.int16)
    path = tmp_path / "long.npy"
    stored = np.lib.format.open_memmap(path, "w+", np.int16, (SAMPLES,))
    stored[:] = np.resize(drawn, SAMPLES)
    stored.flush()
    asked = [sys.executable, "-c", MEASURE, str(path)]
    done = subprocess.run(asked, check=False, capture_output=True, text=True, timeout=300)
    assert done.returncode == 0, done.stderr
    found, grown_MB = done.stdout.split()
    assert int(found) == SAMPLES // drawn.size
    assert float(grown_MB) < 250.0
