"""From simulated engines to scored rows: one row a true firing, one row a detection that is none."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from sigkit import registry
from sigkit.classify.judge_table import judge_table
from sigkit.classify.model_store import load_default_model
from sigkit.context.apply_context import apply_context
from sigkit.context.capture_info import CaptureInfo
from sigkit.features.waveform_features import add_shape_columns
from sigkit.measure.measure_capture import DETECTOR, LOCATOR, measure_capture
from sigkit.score.match import match_events
from sigkit.simulate.simulated_capture import SimulatedCapture, iterate_captures
from sigkit.simulate.study_recipe import StudyRecipe
from sigkit.types.firing_table import Table, concatenate
from sigkit.types.flags import OK

#: Columns of the truth that are carried over.
KNOWN = (
    "engine", "capture", "channel", "kind", "lead", "coil", "role", "polarity", "ignition_type", "recording",
    "sparked", "on_record", "cut", "clipped", "measurable", "soft_end", "condition", "sample_rate_Hz", "bits",
    "burn_time_ms", "pickup_time_constant_s",
)  # fmt: skip
#: Timed quantities whose error and interval are scored: column without unit, unit, seconds in one unit.
TIMED = (("coil_off", "s", 1.0), ("breakdown", "s", 1.0), ("burn_end", "s", 1.0), ("burn_time", "ms", 1e-3))
#: Levels and shapes whose relative error and interval are scored, with their units as columns name them.
SHAPED = (("burn_voltage", "_V"), ("burn_slope", "_V_per_ms"), ("ring_frequency", "_Hz"), ("ring_damping_ratio", ""))
ANSWERED_TEXT = ("role", "sparked", "condition", "condition_set")


def score_engines(task: tuple[dict[str, Any], float, int, int]) -> dict[str, NDArray]:
    """Simulate, measure, judge and match the engines of one task.

    Parameters
    ----------
    task : tuple
        Entries of the recipe, matching tolerance in seconds, seed of the study, number of the task.

    Returns
    -------
    dict of str to ndarray
        Rows as described in this file; text columns are of fixed width, so they are stored without pickle.
    """
    entries, tolerance_s, seed, number = task
    recipe = StudyRecipe(**entries, name=f"task{number}")
    engines: dict[str, list[SimulatedCapture]] = {}
    for made in iterate_captures(recipe, np.random.SeedSequence([seed, number])):
        engines.setdefault(made.capture.engine, []).append(made)
    model = load_default_model()
    detector, locator = registry.load("detectors", DETECTOR)(), registry.load("locators", LOCATOR)()
    parts = []
    for members in engines.values():
        measured = [add_shape_columns(measure_capture(made.capture, detector, locator)) for made in members]
        infos = [CaptureInfo.of(made.capture) for made in members]
        table = judge_table(apply_context(concatenate([one.table for one in measured]), infos), model)
        parts += [_score_capture(made, table, tolerance_s) for made in members]
    rows = concatenate(parts)
    return {name: column.astype(str) if column.dtype.kind == "O" else column for name, column in rows.items()}


def _score_capture(made: SimulatedCapture, table: Table, tolerance_s: float) -> Table:
    truth, parts = made.truth, []
    for channel in made.capture.channels:
        if channel.kind == "coil_current":
            continue
        real = np.flatnonzero((truth["channel"] == channel.name) & ~truth["absent"])
        found = np.flatnonzero(
            (table["capture"] == made.capture.name) & (table["channel"] == channel.name) & (table["firing"] >= 0)
        )
        rate = channel.sample_rate_Hz
        true_position = _whole_samples(truth["coil_off_s"][real], channel.start_s, rate)
        # A firing whose switching-off lies off the record is neither asked for nor held against anybody.
        true_position = np.clip(true_position, 0, len(channel) - 1)
        found_position = _whole_samples(table["time_s"][found], channel.start_s, rate)
        pairs = match_events(true_position, found_position, round(tolerance_s * rate))
        parts.append(_rows(truth, table, real, found[pairs.second], pairs.first))
        spurious = found[pairs.second_unmatched]
        if spurious.size:
            blank = _blank(parts[-1], spurious.size)
            blank["engine"][:], blank["capture"][:] = made.capture.engine, made.capture.name
            blank["channel"][:], blank["kind"][:] = channel.name, channel.kind
            blank["sample_rate_Hz"][:] = rate
            blank["bits"][:] = truth["bits"][0] if len(truth["bits"]) else 0
            blank["spurious"][:] = True
            parts.append(blank)
    return concatenate(parts)


def _whole_samples(instant_s: NDArray, start_s: float, rate_Hz: float) -> NDArray[np.int64]:
    return np.round((instant_s - start_s) * rate_Hz).astype(np.int64)


def _rows(truth: Table, table: Table, real: NDArray, answer: NDArray, matched: NDArray) -> Table:
    """Return one row for each true firing; ``answer`` are the table's rows of those ``matched``."""
    rows: Table = {name: truth[name][real] for name in KNOWN}
    n = real.size
    rows["spurious"], rows["detected"] = np.zeros(n, dtype=bool), np.zeros(n, dtype=bool)
    rows["detected"][matched] = True
    rows["answer_polarity"] = np.zeros(n, dtype=np.int64)
    rows["answer_polarity"][matched] = table["polarity"][answer]
    for name in ANSWERED_TEXT:
        rows[f"answer_{name}"] = np.full(n, "", dtype=object)
        rows[f"answer_{name}"][matched] = table[name][answer]
    rows["answer_probability"] = np.full(n, np.nan)
    rows["answer_probability"][matched] = table["condition_probability"][answer]
    for name, unit, second in TIMED:
        value, low, high = (table[f"{name}{part}_{unit}"][answer] for part in ("", "_lo", "_hi"))
        true = truth[f"{name}_{unit}"][real[matched]]
        usable = table[f"{name}_flag"][answer] == OK
        rows[f"{name}_error_s"] = np.full(n, np.nan)
        rows[f"{name}_error_s"][matched] = np.where(usable, value - true, np.nan) * second
        rows[f"{name}_inside"] = np.zeros(n, dtype=bool)
        rows[f"{name}_inside"][matched] = usable & (low <= true) & (true <= high)
    rows["burn_time_half_width_s"] = np.full(n, np.nan)
    stated = 0.5 * (table["burn_time_hi_ms"][answer] - table["burn_time_lo_ms"][answer]) * 1e-3
    rows["burn_time_half_width_s"][matched] = np.where(table["burn_time_flag"][answer] == OK, stated, np.nan)
    for name, unit in SHAPED:
        value, low, high = (table[f"{name}{part}{unit}"][answer] for part in ("", "_lo", "_hi"))
        true = truth[f"{name}{unit}"][real[matched]]
        usable = table[f"{name}_flag"][answer] == OK
        rows[f"{name}_error"] = np.full(n, np.nan)
        rows[f"{name}_error"][matched] = np.where(usable, (value - true) / np.abs(true), np.nan)
        rows[f"{name}_inside"] = np.zeros(n, dtype=bool)
        rows[f"{name}_inside"][matched] = usable & (low <= true) & (true <= high)
        rows[f"{name}_asked"] = rows["measurable"] & np.isfinite(truth[f"{name}{unit}"][real])
    rows["ring_cycles"] = np.full(n, np.nan)
    told = table["ring_cycles_flag"][answer] == OK
    rows["ring_cycles"][matched] = np.where(told, table["ring_cycles"][answer], np.nan)
    rows["burn_voltage_scaled"] = np.zeros(n, dtype=bool)
    rows["burn_voltage_scaled"][matched] = np.isfinite(table["burn_voltage_kV"][answer])
    return rows


def _blank(like: Table, n: int) -> Table:
    result: Table = {}
    for name, column in like.items():
        if column.dtype.kind == "O":
            result[name] = np.full(n, "", dtype=object)
        else:
            result[name] = np.full(n, np.nan if column.dtype.kind == "f" else 0, dtype=column.dtype)
    return result
