"""How one engine is recorded: which inputs, which recorder, continuously or in triggered sweeps."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sigkit.simulate.engine import Engine
from sigkit.simulate.instrument import Instrument, draw_instrument
from sigkit.simulate.pickup import (
    Crosstalk,
    Pickup,
    draw_crosstalk,
    draw_current_clamp,
    draw_lead_pickups,
    draw_primary_pickup,
)
from sigkit.simulate.study_recipe import StudyRecipe


@dataclass(frozen=True, eq=False)
class RecordingPlan:
    """One recording of one engine.

    Attributes
    ----------
    name : str
        Name of the recording.
    recording : str
        ``"continuous"`` or ``"sweeps"``.
    lead_places : tuple of int
        Leads recorded, as positions in ``engine.leads``.
    primary_coils, current_coils : tuple of int
    instrument : Instrument
    lead_pickups : list of Pickup
        One for each lead of the engine.
    primary_pickup, current_pickup : Pickup
    crosstalk : Crosstalk
        Between the leads of the engine.
    cut : bool
        The record begins or ends within a firing.
    sweep_before_s, sweep_after_s : float
        Recorded before and after the trigger of a sweep.
    ratio_known, full_scale_known : bool
        Whether the capture says so.
    synchronised : bool
        A pulse of cylinder 1 is recorded too.
    axis_from_zero : bool
        Whether a continuous record's time axis starts at 0.
    """

    name: str
    recording: str
    lead_places: tuple[int, ...]
    primary_coils: tuple[int, ...]
    current_coils: tuple[int, ...]
    instrument: Instrument
    lead_pickups: list[Pickup]
    primary_pickup: Pickup
    current_pickup: Pickup
    crosstalk: Crosstalk
    cut: bool
    sweep_before_s: float
    sweep_after_s: float
    ratio_known: bool
    full_scale_known: bool
    synchronised: bool
    axis_from_zero: bool

    def coils_needed(self, engine: Engine) -> NDArray[np.int64]:
        """Return the coils whose events this recording shows, crosstalk included."""
        coils = set(self.primary_coils) | set(self.current_coils)
        leads = engine.leads
        for place in self.lead_places:
            coils.add(leads[place][1])
            coils |= {leads[other][1] for other in self.crosstalk.into(place)}
        return np.array(sorted(coils))

    def cycles(self, recipe: StudyRecipe, engine: Engine, speed_rpm: float) -> int:
        """Return how many working cycles give the firings wanted, within the recipe's memory."""
        a_cycle = 2 if engine.shared else 1
        wanted = -(-recipe.firings_per_lead // a_cycle)
        if self.recording == "sweeps":
            return wanted
        most = int(recipe.max_samples / self.instrument.sample_rate_Hz * speed_rpm / 120.0)
        return max(1, min(wanted, most))


def draw_plan(recipe: StudyRecipe, engine: Engine, rng: np.random.Generator) -> RecordingPlan:
    """Draw how an engine is recorded."""
    rate = float(rng.choice(recipe.sample_rates_Hz))
    recording = str(rng.choice(recipe.recordings))
    # A continuous record that cannot hold one cycle at the slowest speed is made of sweeps where allowed.
    if "sweeps" in recipe.recordings and rate * 120.0 / recipe.engine_speed_rpm[0] > 2 * recipe.max_samples:
        recording = "sweeps"
    leads, coils = len(engine.leads), len(engine.coils)
    channel_set = str(rng.choice(recipe.channel_sets))
    parts = channel_set.split("+")
    extra = 0
    primary: tuple[int, ...] = ()
    current: tuple[int, ...] = ()
    chosen = int(rng.integers(0, coils))
    if "primary" in parts:
        primary = tuple(range(coils)) if parts[0] == "primary" else (chosen,)
        extra += 1
    if "current" in parts:
        current = (chosen,)
        extra += 1
    places: tuple[int, ...] = ()
    if parts[0] == "secondary":
        room = max(1, recipe.max_channels - extra)
        first = [k for k, lead in enumerate(engine.leads) if lead[1] == chosen]
        others = [k for k in range(leads) if k not in first]
        places = tuple(sorted((first + others)[:room]))
    else:
        primary = primary[: max(1, recipe.max_channels - len(current))]
    speed = float(np.sqrt(recipe.engine_speed_rpm[0] * recipe.engine_speed_rpm[1]))
    cut = bool(rng.random() < recipe.cut_share)
    before_s, after_s = _sweep(engine, cut, rng)
    instrument = draw_instrument(
        rate, int(rng.choice(recipe.bits)), recipe.nuisance, recipe.range_shares, speed, rng
    )
    pickups = draw_lead_pickups(leads, rng)
    # What a recipe fixes is drawn all the same: every other draw stays as it is without.
    fixed = {name: getattr(recipe, name) for name in ("noise", "bandwidth_Hz") if getattr(recipe, name) is not None}
    if recipe.pickup_time_constant_s is not None:
        pickups = [replace(one, time_constant_s=recipe.pickup_time_constant_s) for one in pickups]
    return RecordingPlan(
        name=engine.name,
        recording=recording,
        lead_places=places,
        primary_coils=primary,
        current_coils=current,
        instrument=replace(instrument, **fixed),
        lead_pickups=pickups,
        primary_pickup=draw_primary_pickup(rng),
        current_pickup=draw_current_clamp(rng),
        crosstalk=draw_crosstalk(leads, recipe.nuisance if recipe.crosstalk is None else recipe.crosstalk, rng),
        cut=cut,
        sweep_before_s=before_s,
        sweep_after_s=after_s,
        ratio_known=bool(rng.random() < recipe.ratio_known_share),
        full_scale_known=bool(rng.random() < recipe.full_scale_known_share),
        synchronised=bool(rng.random() < recipe.sync_share),
        axis_from_zero=bool(rng.random() < 0.8),
    )  # fmt: skip


def _sweep(engine: Engine, cut: bool, rng: np.random.Generator) -> tuple[float, float]:
    """Draw what a sweep holds before and after its trigger; a cut one misses switch-on or the burn's end."""
    dwell_s = float(
        np.max(-np.log1p(-np.minimum(engine.coil["wanted_current_A"] * 0.06, 0.85))
               * engine.coil["primary_inductance_H"] / 0.8)
    )  # fmt: skip
    before = dwell_s * rng.uniform(1.3, 2.0) + 0.5e-3
    after = rng.uniform(5e-3, 12e-3)
    if cut:
        if rng.random() < 0.5:
            before = rng.uniform(0.1e-3, 0.8e-3)
        else:
            after = rng.uniform(0.3e-3, 1.2e-3)
    return float(before), float(after)
