"""Simulated captures with their truth: engines, pickups and recorders put together."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sigkit.errors import SettingsError
from sigkit.jobs import TaskFailure, run_jobs
from sigkit.simulate.circuit_parameters import concatenate
from sigkit.simulate.conditions import apply_conditions
from sigkit.simulate.engine import Engine, draw_engine
from sigkit.simulate.engine_run import EngineRun, event_drivers, event_severity, run_engine
from sigkit.simulate.event_drivers import EventDrivers, circuit
from sigkit.simulate.event_waveforms import EventWaveforms
from sigkit.simulate.integrate_circuit import integrate_circuit
from sigkit.simulate.record_engine import record_engine
from sigkit.simulate.recording_plan import RecordingPlan, draw_plan
from sigkit.simulate.study_recipe import StudyRecipe
from sigkit.simulate.truth_table import judge_run
from sigkit.types.capture import Capture
from sigkit.types.firing_table import Table
from sigkit.types.firing_table import concatenate as stack

#: Events integrated at once, about; the integrator is quickest with 500 to 1000.
_BATCH_EVENTS = 600

#: Time integrated behind the last switching-off: burn and ring have died down by then (our choice).
AFTER_S = 7e-3


@dataclass(frozen=True, eq=False)
class SimulatedCapture:
    """A capture and what really happened.

    Attributes
    ----------
    capture : Capture
    truth : Table
        One row for each firing of each channel (`sigkit.simulate.truth_table.TRUTH_COLUMNS`).
    intervals : Table
        One row for each conduction interval.
    """

    capture: Capture
    truth: Table
    intervals: Table


@dataclass(frozen=True, eq=False)
class _PlannedRun:
    run: EngineRun
    plan: RecordingPlan
    drivers: EventDrivers
    severity: dict[str, NDArray]
    needed: NDArray  # events that are integrated
    seed: np.random.SeedSequence


def simulate_captures(
    recipe: StudyRecipe, seed: int | np.random.SeedSequence, *, workers: int = 1, progress: str = ""
) -> list[SimulatedCapture]:
    """Simulate the captures of a study.

    Parameters
    ----------
    recipe : StudyRecipe
    seed : int or numpy.random.SeedSequence
        The same seed and recipe give the same captures for any number of workers.
    workers : int
        Processes.
    progress : str
        Title of a progress line, ``""`` for none.

    Returns
    -------
    list of SimulatedCapture
        By engine, in order.

    Raises
    ------
    SettingsError
        When the recipe cannot be met.
    SimulationError
        When an event cannot be integrated.

    Examples
    --------
    >>> recipe = StudyRecipe(engines=1, cylinders=(2,), firings_per_lead=2, sample_rates_Hz=(1e5,),
    ...                      recordings=("continuous",), channel_sets=("secondary",))
    >>> made = simulate_captures(recipe, 7)
    >>> len(made), made[0].capture.channels[0].sample_rate_Hz
    (1, 100000.0)
    """
    result: list[SimulatedCapture] = []
    tasks = list(_tasks(recipe, seed))
    for part in run_jobs(_simulate_batch, tasks, workers, progress=progress, describe=_describe):
        if isinstance(part, TaskFailure):
            raise part.error
        result += part
    return result


def iterate_captures(recipe: StudyRecipe, seed: int | np.random.SeedSequence) -> Iterator[SimulatedCapture]:
    """Yield the captures of `simulate_captures` one batch after the other, in little memory."""
    for task in _tasks(recipe, seed):
        yield from _simulate_batch(task)


def stack_truth(made: list[SimulatedCapture]) -> tuple[Table, Table]:
    """Return truth and intervals of many captures as one table each.

    Raises
    ------
    SettingsError
        When there is no capture.
    """
    if not made:
        raise SettingsError("there is no capture to take the truth of; simulate at least one engine")
    return stack([one.truth for one in made]), stack([one.intervals for one in made])


def _describe(task: tuple[StudyRecipe, int, int, np.random.SeedSequence]) -> str:
    return f"engines {task[1] + 1} to {task[2]}"


def _tasks(
    recipe: StudyRecipe, seed: int | np.random.SeedSequence
) -> Iterator[tuple[StudyRecipe, int, int, list[np.random.SeedSequence]]]:
    """Cut a study into batches of whole engines, the same whoever works on them."""
    root = seed if isinstance(seed, np.random.SeedSequence) else np.random.SeedSequence(seed)
    # A copy: spawning counts children on the sequence it is given.
    root = np.random.SeedSequence(root.entropy, spawn_key=root.spawn_key, pool_size=root.pool_size)
    children = root.spawn(recipe.engines)
    events = recipe.firings_per_lead * recipe.captures_per_engine * max(recipe.cylinders)
    size = max(1, _BATCH_EVENTS // events)
    for first in range(0, recipe.engines, size):
        last = min(first + size, recipe.engines)
        yield recipe, first, last, children[first:last]


def _simulate_batch(
    task: tuple[StudyRecipe, int, int, list[np.random.SeedSequence]],
) -> list[SimulatedCapture]:
    recipe, first, last, seeds = task
    planned: list[_PlannedRun] = []
    for number, seed in zip(range(first, last), seeds, strict=True):
        planned += _plan_engine(recipe, number, seed)
    parts = [circuit(one.drivers.take(one.needed)) for one in planned]
    # One generator for the batch, from the seed of its first engine.
    waveforms = integrate_circuit(
        concatenate(parts), np.random.default_rng(seeds[0].spawn(1)[0]), after_s=AFTER_S
    )
    made: list[SimulatedCapture] = []
    base = 0
    for one in planned:
        row = np.full(len(one.run), -1)
        row[one.needed] = base + np.arange(one.needed.size)
        made += _record(one, waveforms, row, recipe)
        base += one.needed.size
    return made


def _plan_engine(recipe: StudyRecipe, number: int, seed: np.random.SeedSequence) -> list[_PlannedRun]:
    rng = np.random.default_rng(seed)
    engine = draw_engine(recipe, rng, f"{recipe.name}-{number + 1:04d}")
    return plan_runs(recipe, engine, rng, seed)


def plan_runs(
    recipe: StudyRecipe, engine: Engine, rng: np.random.Generator, seed: np.random.SeedSequence
) -> list[_PlannedRun]:
    """Let one engine run for each of its captures and settle how it is recorded."""
    plan = draw_plan(recipe, engine, rng)
    many = recipe.captures_per_engine if plan.recording == "continuous" else 1
    result = []
    for take in range(many):
        speed = float(np.exp(rng.uniform(*np.log(recipe.engine_speed_rpm))))
        load = float(rng.uniform(*recipe.load))
        own = replace(plan, name=f"{engine.name}-{take + 1}" if many > 1 else engine.name)
        run = run_engine(engine, rng, speed_rpm=speed, load=load, cycles=own.cycles(recipe, engine, speed))
        sound = event_drivers(run, rng)
        severity = event_severity(run, sound)
        drivers = apply_conditions(sound, severity, engine.energy_cause[run.coil])
        needed = np.flatnonzero(np.isin(run.coil, own.coils_needed(engine)) & ~run.skipped)
        result.append(_PlannedRun(run, own, drivers, severity, needed, seed.spawn(1)[0]))
    return result


def _record(
    one: _PlannedRun, waveforms: EventWaveforms, row: NDArray, recipe: StudyRecipe
) -> list[SimulatedCapture]:
    known = judge_run(one.run, one.drivers, one.severity, row, waveforms.truth)
    return [
        SimulatedCapture(capture, truth, intervals)
        for capture, truth, intervals in record_engine(
            known, one.plan, waveforms, recipe, np.random.default_rng(one.seed)
        )
    ]
