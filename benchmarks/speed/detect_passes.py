"""How many plain minimum + maximum passes over the same samples one detection costs.

Run from the project's folder: ``python benchmarks/speed/detect_passes.py``. A memory-mapped int16 array at 1 MS/s,
with a simulated firing each 40 ms, is written to a temporary file; detection and numpy's ``min`` and ``max`` run over
it in turn in one process, and the ratio of their best times is printed.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from sigkit.detect.block_activity import BlockActivityDetector
from sigkit.simulate.simulated_capture import simulate_captures
from sigkit.simulate.study_recipe import StudyRecipe
from sigkit.types.capture import Capture
from sigkit.types.channel import Channel

RATE_HZ = 1e6
PERIOD_S = 40e-3
SEED = 20_260_011


def record(seconds: float) -> np.ndarray:
    """Return int16 samples with a firing each 40 ms: simulated sweeps between stretches of the recorder's noise."""
    recipe = StudyRecipe(
        engines=1, cylinders=(1,), ignition_types=("coil_on_plug",), firings_per_lead=12, sample_rates_Hz=(RATE_HZ,),
        bits=(14,), recordings=("sweeps",), channel_sets=("secondary",), faulty_share=0.0, cut_share=0.0,
        range_shares=(1.0, 0.0, 0.0), missing_share=0.0,
    )  # fmt: skip
    sweeps = [np.asarray(made.capture.channels[0].samples) for made in simulate_captures(recipe, SEED)]
    top = max(float(np.abs(sweep).max()) for sweep in sweeps)
    # Codes of a 14-bit recorder, whatever the simulated recorder stored.
    sweeps = [np.rint(sweep * (8191 / top)).astype(np.int16) for sweep in sweeps]
    rng = np.random.default_rng(SEED)
    period = round(PERIOD_S * RATE_HZ)
    result = np.empty(round(seconds / PERIOD_S) * period, dtype=np.int16)
    for number in range(result.size // period):
        sweep = sweeps[number % len(sweeps)]
        rest = sweep[rng.integers(0, 400, period)]
        rest[: sweep.size] = sweep
        result[number * period : (number + 1) * period] = rest
    return result


def best_time_s(work: Callable[[], object], repeats: int) -> float:
    """Return the shortest time of a call."""
    times = []
    for _ in range(repeats):
        begin = time.perf_counter()
        work()
        times.append(time.perf_counter() - begin)
    return min(times)


def main() -> int:
    """Print firings found, both times and their ratio."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seconds", type=float, default=40.0, help="length of the record")
    parser.add_argument("--repeats", type=int, default=5)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "record.npy"
        np.save(path, record(options.seconds))
        samples = np.load(path, mmap_mode="r")
        detector = BlockActivityDetector()

        def detect() -> int:
            # A new channel each time: the block summary of one in use is kept, and making it is part of the cost.
            return len(detector.detect(Capture("record", (Channel("1", samples, RATE_HZ),)))[0])

        found = detect()
        passes_s = best_time_s(lambda: (samples.min(), samples.max()), options.repeats)
        detect_s = best_time_s(detect, options.repeats)
        sys.stdout.write(
            f"{samples.size} samples, {found} firings of {samples.size // round(PERIOD_S * RATE_HZ)}; "
            f"minimum + maximum {passes_s * 1e3:.1f} ms, detection {detect_s * 1e3:.1f} ms, "
            f"ratio {detect_s / passes_s:.2f}\n"
        )
    return 0


if __name__ == "__main__":
    sys.exit(main())
