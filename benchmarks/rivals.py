"""Error and speed of the built-in locator and of the general timing rivals, on the same firings in one run.

Run from the project's folder with the Python of an environment that holds the package in ``benchmarks/baselines``:
``.baselines/bin/python benchmarks/rivals.py --workers 2``; a quick look is ``--firings 100 --out look``.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from study_files import about_study, read_study

from sigkit import provenance, registry
from sigkit.jobs import TaskFailure, stream_jobs
from sigkit.measure.measure_capture import DETECTOR, LOCATOR
from sigkit.score.bootstrap import bootstrap_interval
from sigkit.score.match import match_events
from sigkit.score.timing import timing_errors
from sigkit.simulate.simulated_capture import iterate_captures
from sigkit.simulate.study_recipe import StudyRecipe
from sigkit.types.channel import Channel
from sigkit.types.firings import Firings

HERE = Path(__file__).resolve().parent
#: The two-piece fit whose window is taken from the truth: no rival on equal terms, a mark to compare with.
TOLD = "two-piece fit, told the window"


def main() -> int:
    """Run the study and write ``rivals.json`` and ``rivals.md``."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--protocol", type=Path, default=HERE / "protocols" / "rivals.toml")
    parser.add_argument("--out", type=Path, default=HERE / "results")
    parser.add_argument("--firings", type=int, help="fewer firings than the protocol asks for: a look, no result")
    parser.add_argument("--workers", type=int, default=0, help="processes; 0 is one a core")
    options = parser.parse_args()
    protocol = read_study(options.protocol, "rivals")
    seed = provenance.study_seed(options.protocol)
    wanted = options.firings or protocol["firings"]
    listed = [one for one in registry.plugins("locators") if one.name == LOCATOR or one.name.startswith("baseline_")]
    left_out = {one.name: one.problem for one in listed if one.problem}
    names = [one.name for one in listed if not one.problem]
    if len(names) < 2:
        raise SystemExit("rivals: no baseline is installed; install benchmarks/baselines into this environment")
    settings: dict[str, list[dict[str, Any]]] = {name: _settings(name) for name in names}
    share = min(1.0, wanted / protocol["firings"])
    tuning = collect(protocol, (seed, 1), settings, max(40, round(share * protocol["tuning_firings"])), options.workers)
    chosen = {name: choose(tuning, name, settings[name]) for name in names}
    rows = collect(protocol, (seed, 0), {name: [chosen[name]] for name in names}, wanted, options.workers)
    about = about_study(
        options.protocol, seed, firings=int(rows["engine"].size), engines=int(np.unique(rows["engine"]).size),
        complete=wanted >= protocol["firings"], chosen=chosen, left_out=left_out,
    )  # fmt: skip
    lines = make_lines(rows, [*names, TOLD], protocol, np.random.default_rng([seed, 2]))
    options.out.mkdir(parents=True, exist_ok=True)
    text = json.dumps({"about": about, "lines": lines}, indent=1, ensure_ascii=False, allow_nan=False)
    (options.out / "rivals.json").write_text(text + "\n", encoding="utf-8")
    (options.out / "rivals.md").write_text(as_markdown(about, lines), encoding="utf-8")
    sys.stdout.write(f"{options.out / 'rivals.md'}: {about['firings']} firings\n")
    return 0


def _settings(name: str) -> list[dict[str, Any]]:
    tunable = getattr(registry.load("locators", name), "tunable", {})
    return [{key: value} for key, values in tunable.items() for value in values] or [{}]


def key_of(name: str, setting: dict[str, Any]) -> str:
    """Return the column of a locator with a setting."""
    return f"{name}{sorted(setting.items())}"


def collect(
    protocol: dict[str, Any],
    seed: tuple[int, int],
    settings: dict[str, list[dict[str, Any]]],
    wanted: int,
    workers: int,
) -> dict[str, NDArray]:
    """Return rows of the first tasks that hold the measurable firings wanted."""
    parts: list[dict[str, NDArray]] = []
    total, first = 0, 0
    while total < wanted:
        a_task = total / len(parts) if parts else 120
        many = max(1, int(np.ceil((wanted - total) / max(a_task, 1.0))))
        tasks = [(protocol, seed, number, settings) for number in range(first, first + many)]
        first += many
        words = {"progress": "locating", "describe": lambda task: f"task {task[2]}"}
        for part in stream_jobs(one_task, tasks, workers, **words):
            if isinstance(part, TaskFailure):
                sys.stderr.write(part.details)
                raise SystemExit(f"rivals: {part}")
            if total < wanted:
                parts.append(part)
                total += part["engine"].size
    return {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}


def one_task(
    task: tuple[dict[str, Any], tuple[int, int], int, dict[str, list[dict[str, Any]]]],
) -> dict[str, NDArray]:
    """Simulate some engines; return error (s) and time (s a firing) of every locator on each measurable firing."""
    protocol, seed, number, settings = task
    entries = {name: tuple(v) if isinstance(v, list) else v for name, v in protocol["recipe"].items()}
    recipe = StudyRecipe(engines=protocol["engines_a_task"], name=f"task{number}", **entries)
    detector = registry.load("detectors", DETECTOR)()
    made = [
        (key_of(name, setting), registry.load("locators", name)(**setting))
        for name, each in settings.items()
        for setting in each
    ]
    rows: dict[str, list[NDArray]] = {}

    def add(column: str, values: NDArray) -> None:
        rows.setdefault(column, []).append(values)

    warm = True
    for one in iterate_captures(recipe, np.random.SeedSequence([*seed, number])):
        truth = one.truth
        for channel, found in zip(one.capture.channels, detector.detect(one.capture), strict=True):
            true = np.flatnonzero((truth["channel"] == channel.name) & truth["measurable"])
            if true.size == 0:
                continue
            rate = channel.sample_rate_Hz
            at = np.round((truth["coil_off_s"][true] - channel.start_s) * rate).astype(np.int64)
            pairs = match_events(
                np.clip(at, 0, len(channel) - 1), found.position, round(protocol["tolerance_ms"] * 1e-3 * rate)
            )
            burn_s = truth["burn_time_ms"][true] * 1e-3
            add("engine", np.full(true.size, one.capture.engine))
            add("rate_Hz", np.full(true.size, rate))
            for key, locator in made:
                if warm:
                    locator.locate(channel, found)
                begin = time.perf_counter()
                instants = locator.locate(channel, found)
                spent = time.perf_counter() - begin
                length = (instants.burn_end.position - instants.breakdown.position) / rate
                error = np.full(true.size, np.nan)
                error[pairs.first] = length[pairs.second] - burn_s[pairs.first]
                add(key, error)
                add(f"{key} s", np.full(true.size, spent / max(len(found), 1)))
            warm = False
            begin = time.perf_counter()
            end = (truth["burn_end_s"][true] - channel.start_s) * rate
            told = told_window(channel, found, end, pairs.first, pairs.second, protocol["told_reach_s"])
            add(TOLD, told / rate - burn_s)
            add(f"{TOLD} s", np.full(true.size, (time.perf_counter() - begin) / true.size))
    return {name: np.concatenate(parts) for name, parts in rows.items()}


def told_window(
    channel: Channel, found: Firings, end: NDArray, true: NDArray, answer: NDArray, reach_s: float
) -> NDArray[np.float64]:
    """Return burn times in samples: peak sample to the knot of the two-piece fit about the true end."""
    from sigkit_baselines.signed_windows import signed_windows
    from sigkit_baselines.two_piece import two_piece_knots

    result = np.full(end.size, np.nan)
    row_of = np.full(len(found), -1)
    row_of[answer] = true
    for windows in signed_windows(channel, found):
        own = row_of[windows.rows]
        about = np.where(own >= 0, end[own] - windows.origin, np.nan)
        reach = max(reach_s * windows.rate_Hz, 2.0)
        low = np.maximum(about - 3 * reach, windows.peak + 1.0)
        knot = two_piece_knots(windows, low, about + reach)
        result[own[own >= 0]] = (knot - windows.peak)[own >= 0]
    return result


def choose(rows: dict[str, NDArray], name: str, settings: list[dict[str, Any]]) -> dict[str, Any]:
    """Return the setting with the least median absolute error; an unanswered firing counts as the worst."""

    def cost(setting: dict[str, Any]) -> float:
        error = np.abs(rows[key_of(name, setting)])
        return float(np.median(np.where(np.isnan(error), np.inf, error)))

    return min(settings, key=cost)


def make_lines(
    rows: dict[str, NDArray], names: list[str], protocol: dict[str, Any], rng: np.random.Generator
) -> list[dict[str, Any]]:
    """Return one line a locator and range of rates."""
    quick = rows["rate_Hz"] >= protocol["timed_from_Hz"]
    kilo = f"{protocol['timed_from_Hz'] / 1e3:g} kS/s"
    lines = []
    for part, where, unit in ((f"from {kilo}", quick, "µs"), (f"below {kilo}", ~quick, "samples")):
        if not where.any():
            continue
        scale = 1e6 if unit == "µs" else rows["rate_Hz"]
        for name in names:
            key = next(one for one in rows if one.startswith(name) and not one.endswith(" s"))
            error, group = (rows[key] * scale)[where], rows["engine"][where]
            found = timing_errors(error)
            draws = (rng, protocol["level"], protocol["resamples"])
            low, high = bootstrap_interval(lambda e: timing_errors(e).median_absolute, [error], group, *draws)
            low95, high95 = bootstrap_interval(lambda e: timing_errors(e).p95_absolute, [error], group, *draws)
            values = {
                "bias": found.bias, "median": found.median_absolute, "median_low": low, "median_high": high,
                "p95": found.p95_absolute, "p95_low": low95, "p95_high": high95, "p99": found.p99_absolute,
                "answered": found.answered_share, "us_a_firing": float(np.median(rows[f"{key} s"][where]) * 1e6),
            }  # fmt: skip
            line: dict[str, Any] = {"part": part, "locator": name, "unit": unit, "counted": found.measurable}
            lines.append(line | {word: None if np.isnan(value) else float(value) for word, value in values.items()})
    return lines


def as_markdown(about: dict[str, Any], lines: list[dict[str, Any]]) -> str:
    """Return the table as text."""
    text = ["# Burn time: the built-in locator and general rivals\n"]
    if not about["complete"]:
        text.append("**A look, not a result: fewer firings than the protocol asks for.**\n")
    if about["uncommitted_changes"]:
        text.append("**Made with changes that are not committed: not a result.**\n")
    text.append(
        f"{about['firings']} measurable simulated firings on {about['engines']} engines, the same for all. Seed "
        f"{about['seed']}, drawn from the committed tree ({about['sigkit_tree']}) and the protocol "
        f"`{about['protocol']}`. Simulated is not recorded: nothing here is a claim about the field. Absolute errors "
        f"of the answered; in brackets: 95 % interval by bootstrap over engines. Time: median over channels, warm, "
        f"one process. `{TOLD}` gets its window from the truth and is no rival on equal terms.\n"
    )
    settings = {name: setting for name, setting in about["chosen"].items() if setting}
    text.append(f"Chosen on other engines: {'; '.join(f'{n} {s}' for n, s in settings.items()) or 'nothing'}.\n")
    for name, problem in about["left_out"].items():
        text.append(f"Left out: {name}, {problem}.\n")
    part = ""
    for line in lines:
        if line["part"] != part:
            part = line["part"]
            text.append(f"\n## {part} ({line['counted']} firings, {line['unit']})\n\n"
                        "| locator | answered | bias | median | 95 % quantile | 99 % quantile | time, µs a firing |\n"
                        "|---|---|---|---|---|---|---|")  # fmt: skip
        cell = {name: ("–" if line[name] is None else f"{line[name]:.4g}") for name in line if name not in _WORDS}
        text.append(
            f"| {line['locator']} | {line['answered']:.4f} | {cell['bias']} "
            f"| {cell['median']} ({cell['median_low']} to {cell['median_high']}) "
            f"| {cell['p95']} ({cell['p95_low']} to {cell['p95_high']}) | {cell['p99']} | {cell['us_a_firing']} |"
        )
    return "\n".join(text) + "\n"


_WORDS = ("part", "locator", "unit", "counted")

if __name__ == "__main__":
    sys.exit(main())
