"""Burn times of firings solved by ngspice: error and coverage of the built-in locator.

Run from the project's folder: ``python benchmarks/ngspice_firings.py --workers 2``; a quick look is
``python benchmarks/ngspice_firings.py --firings 32 --out look``. Needs the program ngspice.
"""

from __future__ import annotations

import argparse
import json
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from ngspice_circuits import (
    AFTER_S,
    LEAD_IN_S,
    TAUGHT_WORDS,
    TOPOLOGIES,
    Coil,
    draw_coil,
    draw_gap,
    instants,
    write_circuit,
)
from numpy.typing import NDArray
from study_files import about_study, read_study

from sigkit import provenance
from sigkit.errors import SimulationError
from sigkit.jobs import TaskFailure, stream_jobs
from sigkit.measure.measure_capture import measure_capture
from sigkit.score.bootstrap import bootstrap_interval
from sigkit.score.match import match_events
from sigkit.score.timing import timing_errors
from sigkit.simulate.instrument import Instrument, choose_range, disturb, draw_instrument, limit, quantise
from sigkit.simulate.pickup import draw_lead_pickups, high_pass
from sigkit.simulate.record_windows import fine_step_s
from sigkit.simulate.run_ngspice import run_ngspice
from sigkit.types.capture import Capture
from sigkit.types.channel import Channel

HERE = Path(__file__).resolve().parent
#: Longest time of one firing before it is drawn again, seconds (our choice: usual ones take one), and draws at most.
PATIENCE_S, DRAWS = 10.0, 8
#: Share of the holding current at which a burn ends by the second count, told apart (soft ends only).
FADED_SHARE = 0.5
#: Rest between the firings of an engine, and the fade where a solution stops, seconds (our choices).
REST_S, FADE_S = 6e-3, 0.5e-3


def main() -> int:
    """Run the study and write ``ngspice_firings.json`` and ``.md``."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--protocol", type=Path, default=HERE / "protocols" / "ngspice_firings.toml")
    parser.add_argument("--out", type=Path, default=HERE / "results")
    parser.add_argument("--firings", type=int, help="fewer firings than the protocol asks for: a look, no result")
    parser.add_argument("--workers", type=int, default=0, help="processes; 0 is one a core")
    options = parser.parse_args()
    protocol = read_study(options.protocol, "ngspice_firings")
    wanted = options.firings or protocol["firings"]
    seed = provenance.study_seed(options.protocol)
    engines = -(-wanted // protocol["firings_an_engine"])
    parts = []
    tasks = [(protocol, seed, number) for number in range(engines)]
    for part in stream_jobs(
        one_engine, tasks, options.workers, progress="solving", describe=lambda t: f"engine {t[2]}"
    ):
        if isinstance(part, TaskFailure):
            sys.stderr.write(part.details)
            raise SystemExit(f"ngspice_firings: {part}")
        parts.append(part)
    rows = {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}
    about = about_study(
        options.protocol, seed, firings=int(rows["engine"].size), engines=engines,
        complete=wanted >= protocol["firings"], drawn_again=int(rows["drawn_again"].sum()),
    )  # fmt: skip
    lines = make_lines(rows, protocol, np.random.default_rng([seed, 1]))
    options.out.mkdir(parents=True, exist_ok=True)
    text = json.dumps({"about": about, "lines": lines}, indent=1, ensure_ascii=False, allow_nan=False)
    (options.out / "ngspice_firings.json").write_text(text + "\n", encoding="utf-8")
    (options.out / "ngspice_firings.md").write_text(as_markdown(about, lines), encoding="utf-8")
    sys.stdout.write(f"{options.out / 'ngspice_firings.md'}: {about['firings']} firings\n")
    return 0


def solve(coil: Any, rng: np.random.Generator) -> tuple[NDArray, NDArray, float, float, int, float]:
    """Return times from coil_off, tower voltage, breakdown, end, redraws and faded end of one solved firing.

    A circuit that ngspice cannot finish in time is drawn again; one that never conducts is kept.
    """
    for draw in range(DRAWS):
        try:
            found = run_ngspice(write_circuit(coil, draw_gap(coil, rng)), timeout_s=PATIENCE_S)
        except SimulationError:
            continue
        time_s = found["time"] - LEAD_IN_S - coil.dwell_s
        current_A = found["v(flowp)"]
        faded_s = instants(time_s, current_A, FADED_SHARE * coil.hold_A)[1]
        return time_s, found["v(tower)"], *instants(time_s, current_A, coil.hold_A), draw, faded_s
    raise SimulationError(f"ngspice finished none of {DRAWS} firings of a coil; give it more time (PATIENCE_S)")


@dataclass(frozen=True, eq=False)
class Recorded:
    """One engine's firings on record with what is known of them; arrays have shape (n,), instants from sample 0."""

    capture: Capture
    topology: str
    coil: Coil
    instrument: Instrument
    gain: float
    off_s: NDArray[np.float64]
    begin_s: NDArray[np.float64]
    end_s: NDArray[np.float64]
    burn_voltage_V: NDArray[np.float64]  # at the recorder
    measurable: NDArray[np.bool_]
    drawn_again: NDArray[np.int64]
    faded_s: NDArray[np.float64]  # the end as `FADED_SHARE` counts it


def record_engine(protocol: dict[str, Any], seed: int, number: int) -> Recorded:
    """Solve and record the firings of one engine."""
    rng = np.random.default_rng([seed, number])
    topology = TOPOLOGIES[number % len(TOPOLOGIES)]
    coil = draw_coil(topology, rng)
    rate, bits = float(rng.choice(protocol["sample_rates_Hz"])), int(rng.choice(protocol["bits"]))
    instrument = draw_instrument(rate, bits, protocol["nuisance"], tuple(protocol["range_shares"]), 1500.0, rng)
    pickup = draw_lead_pickups(1, rng)[0]
    solved = [solve(coil, rng) for _ in range(protocol["firings_an_engine"])]
    # One long record: rest, dwell, firing, rest, and so on.
    step = fine_step_s(instrument)
    period = coil.dwell_s + LEAD_IN_S + AFTER_S + REST_S * rng.uniform(0.8, 1.2)
    off_s = 2e-3 + coil.dwell_s + period * np.arange(len(solved))
    fine = np.zeros(int((off_s[-1] + AFTER_S + 2e-3) / step))
    for off, (time_s, tower, *_) in zip(off_s, solved, strict=True):
        first, last = (int(np.ceil((off + t) / step)) for t in (time_s[0], time_s[-1]))
        at = np.arange(first, min(last, fine.size)) * step - off
        level = tower[0]
        fade = 0.5 - 0.5 * np.cos(np.pi * np.clip((time_s[-1] - at) / FADE_S, 0.0, 1.0))
        fine[first : first + at.size] += (np.interp(at, time_s, tower) - level) * fade
    from scipy.signal import lfilter

    seen = high_pass(lfilter(*instrument.front_end(step), fine)[None, :], step, pickup.time_constant_s)[0][0]
    phase = rng.random() / rate
    count = int((fine.size - 2) * step * rate)
    record = np.interp(phase + np.arange(count) / rate, np.arange(fine.size) * step, seen * pickup.gain)[None, :]
    full_scale = choose_range(float(record.min()), float(record.max()), instrument, rng)
    half = 0.5 * (full_scale[1] - full_scale[0])
    codes, scale, zero = quantise(
        limit(disturb(record, half, instrument, rng), full_scale, instrument), full_scale, bits
    )
    channel = Channel(
        "lead_1", codes[0], rate, scale=scale, zero=zero, unit="V", kind="secondary_voltage", lead="1", cylinder="1",
        coil="1", full_scale=full_scale,
    )  # fmt: skip
    capture = Capture(f"solved-{number:03d}", (channel,), engine=f"solved-{number:03d}", ignition_type="coil_on_plug")
    begin = np.array([off + one[2] for off, one in zip(off_s, solved, strict=True)]) - phase
    end = np.array([off + one[3] for off, one in zip(off_s, solved, strict=True)]) - phase
    return Recorded(
        capture, topology, coil, instrument, pickup.gain, off_s - phase, begin, end,
        pickup.gain * np.array([burn_level(*one[:4]) for one in solved]),
        measurable(codes[0], bits, begin, end, rate, instrument.delay_s), np.array([one[4] for one in solved]),
        np.array([off + one[5] for off, one in zip(off_s, solved, strict=True)]) - phase,
    )  # fmt: skip


def burn_level(time_s: NDArray, tower_V: NDArray, begin_s: float, end_s: float) -> float:
    """Return the tower's voltage from its rest, median over the middle 40 % of the burn (the simulator's rule).

    Examples
    --------
    >>> t = np.linspace(0.0, 1e-3, 11)
    >>> burn_level(t, -1000.0 - 1e6 * t, 0.0, 1e-3)
    -500.0
    >>> burn_level(t, t, np.nan, np.nan)
    nan
    """
    if not np.isfinite(begin_s):
        return np.nan
    middle = begin_s + (end_s - begin_s) * np.linspace(0.3, 0.7, 401)
    return float(np.round(np.median(np.interp(middle, time_s, tower_V)) - tower_V[0], 9))


def one_engine(task: tuple[dict[str, Any], int, int]) -> dict[str, NDArray]:
    """Solve, record, measure and match the firings of one engine."""
    protocol, seed, number = task
    made = record_engine(protocol, seed, number)
    capture, rate = made.capture, made.instrument.sample_rate_Hz
    table = measure_capture(capture).table
    pairs = match_events(
        np.round(made.off_s * rate).astype(np.int64), np.round(table["time_s"] * rate).astype(np.int64),
        round(protocol["tolerance_ms"] * 1e-3 * rate),
    )  # fmt: skip
    n = made.off_s.size
    rows: dict[str, NDArray] = {
        "engine": np.full(n, capture.engine), "topology": np.full(n, made.topology), "rate_Hz": np.full(n, rate),
        "soft": np.full(n, made.coil.soft_s > 0), "detected": np.zeros(n, bool), "error_s": np.full(n, np.nan),
        "inside": np.zeros(n, bool), "later_s": made.faded_s - made.end_s,
        "drawn_again": made.drawn_again, "measurable": made.measurable,
    }  # fmt: skip
    matched, answer = pairs.first, pairs.second
    true_ms = (made.end_s - made.begin_s)[matched] * 1e3
    usable = table["burn_time_flag"][answer].astype(str) == "ok"
    rows["detected"][matched] = True
    rows["error_s"][matched] = np.where(usable, table["burn_time_ms"][answer] - true_ms, np.nan) * 1e-3
    rows["inside"][matched] = (table["burn_time_lo_ms"][answer] <= true_ms) & (
        true_ms <= table["burn_time_hi_ms"][answer]
    )
    return rows


def measurable(
    codes: NDArray, bits: int, begin: NDArray, end: NDArray, rate: float, delay_s: float
) -> NDArray[np.bool_]:
    """Tell which firings spark for 0.05 ms or longer with both instants outside clipped samples."""
    top = 2 ** (bits - 1)
    counts = np.concatenate([[0], np.cumsum((codes == -top) | (codes == top - 1))])
    result = np.isfinite(begin) & (end - begin >= 0.05e-3)
    for instant in (begin, end):
        at = np.where(np.isfinite(instant), instant, 0.0) * rate
        low = np.clip(np.floor(at), 0, codes.size - 1).astype(int)
        high = np.clip(np.ceil(at + delay_s * rate), 0, codes.size - 1).astype(int)
        result &= counts[high + 1] == counts[low]
    return np.asarray(result)


def make_lines(rows: dict[str, NDArray], protocol: dict[str, Any], rng: np.random.Generator) -> list[dict[str, Any]]:
    """Return the lines of the table: error and coverage, of all and of parts."""
    quick = rows["rate_Hz"] >= protocol["timed_from_Hz"]
    kilo = f"{protocol['timed_from_Hz'] / 1e3:g} kS/s"
    # Errors and whether the interval holds the end: as defined; and of the faded end, of which no interval speaks.
    defined = rows["error_s"], rows["inside"].astype(float)
    faded = rows["error_s"] - rows["later_s"], np.full(rows["inside"].size, np.nan)
    slow = f"below {kilo}"
    parts = [(f"from {kilo}", quick, defined), (slow, ~quick, defined)]
    parts += [(f"from {kilo}, {'soft' if soft else 'sharp'} ends", quick & (rows["soft"] == soft), defined)
              for soft in (False, True)]  # fmt: skip
    parts += [(f"from {kilo}, soft ends, counted to half of the holding current", quick & rows["soft"], faded)]
    parts += [(f"from {kilo}, {name.replace('_', ' ')}", quick & (rows["topology"] == name), defined)
              for name in TOPOLOGIES]  # fmt: skip
    lines = []
    for part, where, (error_s, held) in parts:
        counted = where & rows["measurable"]
        if not counted.any():
            continue
        in_samples = part == slow
        unit = "samples" if in_samples else "µs"
        error = (error_s * (rows["rate_Hz"] if in_samples else 1e6))[counted]
        group = rows["engine"][counted]
        answered = np.isfinite(error)
        inside = np.where(answered, held[counted], np.nan)
        line: dict[str, Any] = {"part": part, "unit": unit, "counted": int(counted.sum()),
                                "engines": int(np.unique(group).size), "answered": float(answered.mean())}  # fmt: skip
        for name, of, column in (
            ("bias", lambda e: timing_errors(e).bias, error),
            ("median_absolute", lambda e: timing_errors(e).median_absolute, error),
            ("p95_absolute", lambda e: timing_errors(e).p95_absolute, error),
            ("p99_absolute", lambda e: timing_errors(e).p99_absolute, error),
            ("coverage", lambda i: float(i[~np.isnan(i)].mean()) if (~np.isnan(i)).any() else np.nan, inside),
        ):
            low, high = bootstrap_interval(of, [column], group, rng, protocol["level"], protocol["resamples"])
            values = (float(of(column)), low, high)
            line[name] = [None if np.isnan(value) else value for value in values]
        lines.append(line)
    return lines


def as_markdown(about: dict[str, Any], lines: list[dict[str, Any]]) -> str:
    """Return the table as text."""
    text = ["# Firings solved by ngspice\n"]
    if not about["complete"]:
        text.append("**A look, not a result: fewer firings than the protocol asks for.**\n")
    if about["uncommitted_changes"]:
        text.append("**Made with changes that are not committed: not a result.**\n")
    text.append(
        f"{about['firings']} firings on {about['engines']} coils of four structures other than the simulator's usual "
        f"one, solved by ngspice, recorded through the instrument model. {TAUGHT_WORDS} Seed {about['seed']}, drawn "
        f"from the committed tree ({about['sigkit_tree']}) and the protocol `{about['protocol']}`. "
        f"{about['drawn_again']} circuits did not finish and were drawn again. Simulated is not recorded: nothing here "
        "is a claim about the field. Burn time, absolute errors of the answered; in brackets: 95 % interval by "
        "bootstrap over coils.\n"
    )
    text.append(
        "| part | counted | answered | bias | median | 95 % quantile | 99 % quantile | unit "
        "| coverage of the 95 % interval |\n|---|---|---|---|---|---|---|---|---|"
    )
    for line in lines:
        cells = []
        for name in ("bias", "median_absolute", "p95_absolute", "p99_absolute", "coverage"):
            value, low, high = (("–" if v is None else f"{v:.3g}") for v in line[name])
            cells.append(f"{value} ({low} to {high})")
        text.append(
            f"| {line['part']} | {line['counted']} | {line['answered']:.3f} | {' | '.join(cells[:4])} "
            f"| {line['unit']} | {cells[4]} |"
        )
    return "\n".join(text) + "\n"


if __name__ == "__main__":
    sys.exit(main())
