"""How many plain minimum + maximum passes over the same samples one detection costs, and how much memory.

Run from the project's folder: ``python benchmarks/speed/detect_passes.py``; ``--longest`` adds records of 1e9 samples,
whose files of 2 GB are made in the folder for temporary files and removed again.

Memory-mapped int16 arrays at 1 MS/s are written to temporary files: a firing each 40 ms, a dead lead, noise alone, and
a busy lead with a firing each 9 ms and no rest. A process of its own for each record first detects once, which gives
its peak memory, then runs numpy's ``min`` and ``max`` and detection in turn; the ratio is that of their best times.
"""

from __future__ import annotations

import argparse
import json
import resource
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
from own_process import MACHINE, run_alone

from sigkit.detect.block_activity import BlockActivityDetector
from sigkit.simulate.simulated_capture import simulate_captures
from sigkit.simulate.study_recipe import StudyRecipe
from sigkit.types.capture import Capture
from sigkit.types.channel import Channel

sys.path.insert(0, str(Path(__file__).parents[1]))
from study_files import about_run, caveats, write_study

RATE_HZ = 1e6
PERIOD_S = 40e-3
BUSY_PERIOD_S = 9e-3
SEED = 20_260_011
SIGNALS = ("firings", "dead", "noisy", "busy")
SIZES = (10**7, 10**8)
LONGEST = 10**9
#: Samples drawn; a longer record repeats them.
DRAWN = 10**7
#: What the project asks for.
MOST_PASSES = 6.0
MOST_MEMORY_MIB = 1024.0


def sweeps() -> list[np.ndarray]:
    """Return simulated sweeps with one firing each, as codes of a 14-bit recorder."""
    recipe = StudyRecipe(
        engines=1, cylinders=(1,), ignition_types=("coil_on_plug",), firings_per_lead=12, sample_rates_Hz=(RATE_HZ,),
        bits=(14,), recordings=("sweeps",), channel_sets=("secondary",), faulty_share=0.0, cut_share=0.0,
        range_shares=(1.0, 0.0, 0.0), missing_share=0.0,
    )  # fmt: skip
    made = [np.asarray(one.capture.channels[0].samples) for one in simulate_captures(recipe, SEED)]
    top = max(float(np.abs(sweep).max()) for sweep in made)
    # Codes of a 14-bit recorder, whatever the simulated recorder stored.
    return [np.rint(sweep * (8191 / top)).astype(np.int16) for sweep in made]


def record(signal: str, rng: np.random.Generator, count: int = DRAWN) -> np.ndarray:
    """Return int16 samples of one of `SIGNALS`."""
    if signal == "dead":
        return np.zeros(count, dtype=np.int16)
    if signal == "noisy":
        return np.rint(300.0 * rng.standard_normal(count, dtype=np.float32)).astype(np.int16)
    period = round((PERIOD_S if signal == "firings" else BUSY_PERIOD_S) * RATE_HZ)
    held = sweeps()
    parts = []
    for number in range(-(-count // period)):
        sweep = held[number % len(held)][:period]
        # Between the sweeps the recorder's noise, as the first samples of a sweep show it.
        rest = sweep[rng.integers(0, 400, period)]
        rest[: sweep.size] = sweep
        parts.append(rest)
    return np.concatenate(parts)[:count]


def write_record(path: Path, drawn: np.ndarray, size: int) -> None:
    """Write a record of ``size`` samples, the drawn ones over and over."""
    with path.open("wb") as stream:
        header = {"descr": "<i2", "fortran_order": False, "shape": (size,)}
        np.lib.format.write_array_header_1_0(stream, header)
        for first in range(0, size, drawn.size):
            drawn[: size - first].tofile(stream)


def best_times_s(works: list[Callable[[], object]], repeats: int) -> list[float]:
    """Return the shortest processor time of each call, called in turn.

    Processor time, since other work on the machine takes turns with this; both calls use one thread.
    """
    times = []
    for _ in range(repeats):
        row = []
        for work in works:
            begin = time.process_time()
            work()
            row.append(time.process_time() - begin)
        times.append(row)
    return np.min(times, axis=0).tolist()


def measure(path: Path, repeats: int) -> dict[str, float]:
    """Measure one record in this process."""
    samples = np.load(path, mmap_mode="r")
    repeats = repeats if samples.size < LONGEST else min(repeats, 2)
    detector = BlockActivityDetector()

    def detect() -> int:
        # A new channel each time: the block summary of one in use is kept, and making it is part of the cost.
        return len(detector.detect(Capture("record", (Channel("1", samples, RATE_HZ),)))[0])

    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    found = detect()
    # Pages of the file that are resident count too. KiB on Linux.
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss

    def read_twice() -> None:
        samples.min(), samples.max()

    # Detection gives pages of long files back: the first reading pays for that, the second is the measure.
    _, passes_s, detect_s = best_times_s([read_twice, read_twice, detect], repeats)
    return {
        "firings_found": found, "pass_ms": 1e3 * passes_s, "detection_ms": 1e3 * detect_s,
        "passes": detect_s / passes_s, "memory_before_MiB": before / 1024, "peak_memory_MiB": peak / 1024,
    }  # fmt: skip


def rows(sizes: list[int], repeats: int) -> Iterator[dict[str, Any]]:
    """Yield what is measured of each record."""
    for signal in SIGNALS:
        drawn = record(signal, np.random.default_rng(SEED))
        for size in sizes:
            with tempfile.TemporaryDirectory() as folder:
                path = Path(folder) / "record.npy"
                write_record(path, drawn, size)
                found = run_alone(__file__, "--measure", path, "--repeats", repeats)
            yield {"signal": signal, "samples": size, **found}


def table(about: dict[str, Any], found: list[dict[str, Any]]) -> str:
    """Return the study as text."""
    lines = [
        "# What detection costs", "",
        *caveats(about, "fewer sizes than the study asks for"),
        "Memory-mapped int16 records at 1 MS/s, simulated or drawn. A pass is numpy's `min` and `max` over the same "
        "array; both were timed in turn in one process, "
        f"processor time of one thread, the best of {about['repeats']} each (of at most two for 1e9 samples). "
        f"Asked for: at most {MOST_PASSES:g} passes on a record with a firing each 40 ms, and "
        f"{MOST_MEMORY_MIB:g} MiB of peak resident memory, pages of the file included, for 1e9 samples.", "",
        f"{about['machine']} Records of 1e7 samples fit into its last-level cache, which makes their passes cheap.", "",
        "| signal | samples | firings found | pass, ms | detection, ms | passes | ns a sample | peak memory, MiB |",
        "|---|---:|---:|---:|---:|---:|---:|---:|",
    ]  # fmt: skip
    for row in found:
        lines.append(
            f"| {row['signal']} | {row['samples']:.0e} | {row['firings_found']} | {row['pass_ms']:.1f} "
            f"| {row['detection_ms']:.1f} | {row['passes']:.1f} | {1e6 * row['detection_ms'] / row['samples']:.2f} "
            f"| {row['peak_memory_MiB']:.0f} |"
        )
    beyond = [row["passes"] for row in found if row["signal"] == "firings" and row["samples"] > min(SIZES)]
    passes = max(beyond, default=float("nan"))
    memory = max(row["peak_memory_MiB"] for row in found)
    lines += [
        "", f"Passes on firings beyond the smallest record: {passes:.1f}, asked for {MOST_PASSES:g}: "
        f"{'met' if passes <= MOST_PASSES else 'not met'}. Peak memory: {memory:.0f} MiB, limit {MOST_MEMORY_MIB:g}: "
        f"{'met' if memory <= MOST_MEMORY_MIB else 'not met'}.", "",
        f"Memory before detection was up to {max(row['memory_before_MiB'] for row in found):.0f} MiB: the system "
        "counts what the process that starts the measurement held, so small peaks are upper bounds.", "",
    ]  # fmt: skip
    return "\n".join(lines)


def main() -> int:
    """Measure, write the results, print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--longest", action="store_true", help="add records of 1e9 samples")
    parser.add_argument("--sizes", type=int, nargs="*", help="other sizes, for a look")
    parser.add_argument("--repeats", type=int, default=5)
    parser.add_argument("--out", type=Path, default=Path("benchmarks/results"))
    parser.add_argument("--measure", type=Path, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.measure is not None:
        sys.stdout.write(json.dumps(measure(options.measure, options.repeats)))
        return 0
    sizes = options.sizes or [*SIZES, *([LONGEST] if options.longest else [])]
    about = about_run(SEED, repeats=options.repeats, complete=not options.sizes, machine=MACHINE)
    found = list(rows(sizes, options.repeats))
    text = table(about, found)
    write_study(options.out, "detect_passes", {**about, "rows": found}, text)
    sys.stdout.write(text)
    return 0


if __name__ == "__main__":
    sys.exit(main())
