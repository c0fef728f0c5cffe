"""What locating, measuring, describing and putting into context costs a firing, beside a minimum + maximum pass.

Run from the project's folder: ``python benchmarks/speed/measure_firings.py``.

Sweeps of simulated single-coil engines, a firing each 40 ms, are strung together to records of one lead at 20 kS/s,
200 kS/s and 1 MS/s. A process of its own for each rate detects once, untimed, then times numpy's ``min`` and ``max``
over the samples and each stage in turn. The cost a firing is the slope of a line through the times of records of
different length, its level at no firing is what a channel costs at all.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from own_process import MACHINE, run_alone

from sigkit import registry
from sigkit.context.apply_context import apply_context
from sigkit.context.capture_info import CaptureInfo
from sigkit.features.waveform_features import add_shape_columns
from sigkit.measure.measure_capture import DETECTOR, LOCATOR, channel_table, interval_table
from sigkit.measure.measure_firings import measure_firings
from sigkit.measure.measured_capture import MeasuredCapture
from sigkit.prepare.block_summary import summarise_blocks
from sigkit.simulate.simulated_capture import simulate_captures
from sigkit.simulate.study_recipe import StudyRecipe
from sigkit.types.capture import Capture
from sigkit.types.channel import Channel

sys.path.insert(0, str(Path(__file__).parents[1]))
from study_files import about_run, caveats, write_study

RATES_HZ = (20e3, 200e3, 1e6)
FIRINGS = (25, 100, 400)
PERIOD_S = 40e-3
SEED = 20_260_012
STAGES = ("locate", "measure", "features", "context")
#: What the project asks for: all stages of a firing at 200 kS/s.
MOST_MS, ASKED_RATE_HZ = 0.25, 200e3


def record(rate_Hz: float, firings: int) -> np.ndarray:
    """Return int16 samples of one lead with so many firings."""
    recipe = StudyRecipe(
        engines=1, cylinders=(1,), ignition_types=("coil_on_plug",), firings_per_lead=25, sample_rates_Hz=(rate_Hz,),
        bits=(14,), recordings=("sweeps",), channel_sets=("secondary",), faulty_share=0.0, cut_share=0.0,
        range_shares=(1.0, 0.0, 0.0), missing_share=0.0,
    )  # fmt: skip
    held = [np.asarray(one.capture.channels[0].samples) for one in simulate_captures(recipe, SEED)]
    top = max(float(np.abs(sweep).max()) for sweep in held)
    period, rng = round(PERIOD_S * rate_Hz), np.random.default_rng(SEED)
    parts = []
    for number in range(firings):
        # Codes of a 14-bit recorder; between the sweeps its noise, as the first samples of a sweep show it.
        sweep = np.rint(held[number % len(held)][:period] * (8191 / top)).astype(np.int16)
        rest = sweep[rng.integers(0, max(round(0.4e-3 * rate_Hz), 8), period)]
        rest[: sweep.size] = sweep
        parts.append(rest)
    return np.concatenate(parts)


def time_record(samples: np.ndarray, rate_Hz: float, repeats: int) -> dict[str, Any]:
    """Return the shortest processor times of the pass and of each stage, in milliseconds.

    Processor time, since other work on the machine takes turns with this; all use one thread.
    """
    detector, locator = registry.load("detectors", DETECTOR)(), registry.load("locators", LOCATOR)()
    found = detector.detect(Capture("record", (Channel("1", samples, rate_Hz),)))[0]
    times: dict[str, list[float]] = {name: [] for name in ("pass", *STAGES)}

    def timed(name: str, work: Callable[[], Any]) -> Any:
        begin = time.process_time()
        result = work()
        times[name].append(1e3 * (time.process_time() - begin))
        return result

    for _ in range(repeats):
        # What is known of a channel in use is kept, so each round has its own; detection has summarised its blocks.
        channel = Channel("1", samples, rate_Hz)
        capture = Capture("record", (channel,))
        summarise_blocks(channel)
        timed("pass", lambda: (samples.min(), samples.max()))
        instants = timed("locate", lambda channel=channel: locator.locate(channel, found))

        def measured(channel: Channel = channel, capture: Capture = capture, instants: Any = instants) -> Any:
            table = channel_table(
                capture, channel, found, instants, measure_firings(channel, found, instants, coupling_u=0.0)
            )
            return MeasuredCapture(
                capture, table, interval_table(capture, channel, instants), [found], [instants]
            )

        read = timed("measure", measured)
        shaped = timed("features", lambda read=read: add_shape_columns(read))
        timed("context", lambda shaped=shaped, capture=capture: apply_context(shaped.table, [CaptureInfo.of(capture)]))
    return {
        "samples": samples.size, "firings": len(found), **{f"{name}_ms": min(each) for name, each in times.items()},
    }  # fmt: skip


def measure_rate(rate_Hz: float, repeats: int) -> list[dict[str, Any]]:
    """Time the records of one rate in this process."""
    whole = record(rate_Hz, max(FIRINGS))
    return [
        {"rate_Hz": rate_Hz, **time_record(whole[: round(PERIOD_S * rate_Hz) * firings], rate_Hz, repeats)}
        for firings in FIRINGS
    ]


def cost(rows: list[dict[str, Any]], name: str) -> tuple[float, float]:
    """Return the milliseconds a firing and a channel: a line through the times of one rate."""
    slope, level = np.polyfit([row["firings"] for row in rows], [row[f"{name}_ms"] for row in rows], 1)
    return float(slope), float(level)


def table(about: dict[str, Any], found: list[dict[str, Any]]) -> str:
    """Return the study as text."""
    lines = [
        "# What measuring a firing costs", "",
        *caveats(about, "fewer repeats than the study asks for"),
        "Simulated sweeps of a single coil, a firing each 40 ms, one lead, int16 in memory; detection and its summary "
        "of blocks are not counted. Processor time of one thread, the best of "
        f"{about['repeats']}, stages and numpy's `min` and `max` over the same samples (a pass) in turn in one "
        "process.",
        "", about["machine"], "",
        "| S/s | firings | pass, ms | " + " | ".join(f"{name}, ms a firing" for name in STAGES) + " | all, passes |",
        "|---:|---:|---:|" + "---:|" * (len(STAGES) + 1),
    ]  # fmt: skip
    for row in found:
        each = [row[f"{name}_ms"] for name in STAGES]
        lines.append(
            f"| {row['rate_Hz']:.0e} | {row['firings']} | {row['pass_ms']:.3f} | "
            + " | ".join(f"{one / row['firings']:.3f}" for one in each) + f" | {sum(each) / row['pass_ms']:.0f} |"
        )
    lines += ["", "Slope and level of a line through the three records of each rate:", "",
              "| S/s | stage | ms a firing | ms a channel | passes |", "|---:|---|---:|---:|---:|"]  # fmt: skip
    total = {}
    for rate_Hz in RATES_HZ:
        rows = [row for row in found if row["rate_Hz"] == rate_Hz]
        unit, _ = cost(rows, "pass")
        costs = {name: cost(rows, name) for name in STAGES}
        costs["all"] = (sum(one[0] for one in costs.values()), sum(one[1] for one in costs.values()))
        total[rate_Hz] = costs["all"][0]
        lines += [
            f"| {rate_Hz:.0e} | {name} | {slope:.3f} | {level:.1f} | {slope / unit:.0f} |"
            for name, (slope, level) in costs.items()
        ]
    reached = total[ASKED_RATE_HZ]
    lines += ["", f"All stages at {ASKED_RATE_HZ:.0e} S/s: {reached:.2f} ms a firing, asked for {MOST_MS:g}: "
              f"{'met' if reached <= MOST_MS else 'not met'}.", ""]  # fmt: skip
    return "\n".join(lines)


def main() -> int:
    """Measure, write the results, print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--repeats", type=int, default=5)
    parser.add_argument("--out", type=Path, default=Path("benchmarks/results"))
    parser.add_argument("--rate", type=float, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.rate is not None:
        sys.stdout.write(json.dumps(measure_rate(options.rate, options.repeats)))
        return 0
    about = about_run(SEED, repeats=options.repeats, complete=options.repeats >= 5, machine=MACHINE)
    found: list[dict[str, Any]] = []
    for rate_Hz in RATES_HZ:
        found += run_alone(__file__, "--rate", rate_Hz, "--repeats", options.repeats)
    text = table(about, found)
    write_study(options.out, "measure_firings", {**about, "rows": found}, text)
    sys.stdout.write(text)
    return 0


if __name__ == "__main__":
    sys.exit(main())
