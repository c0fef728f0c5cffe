"""A whole simulated engine: coils, leads, firing order, speed, load and the conditions it suffers from."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sigkit.errors import SimulationError
from sigkit.simulate.conditions import COIL_CONDITIONS, ENERGY_CAUSES
from sigkit.simulate.study_recipe import StudyRecipe
from sigkit.simulate.vary_structure import vary_structure

#: Usual firing orders and the pairs that share a coil (common practice, no source).
FIRING_ORDERS = {1: (1,), 2: (1, 2), 3: (1, 3, 2), 4: (1, 3, 4, 2), 5: (1, 2, 4, 5, 3), 6: (1, 5, 3, 6, 2, 4)}
SHARED_COIL_PAIRS = {2: ((1, 2),), 4: ((1, 4), (2, 3)), 6: ((1, 6), (2, 5), (3, 4))}


@dataclass(frozen=True, eq=False)
class Engine:
    """One engine: what stays the same from firing to firing.

    Arrays of coils have shape (c,), arrays of leads (c, 2): the two ends of each coil; on a single coil
    end 1 is grounded and its entries count for nothing.

    Attributes
    ----------
    name : str
    ignition_type : str
        ``"shared_coil"`` or ``"coil_on_plug"``.
    firing_order : tuple of int
    coils : tuple of tuple of int
        Cylinders of each coil.
    coil : dict of str to ndarray, shape (c,)
        Values of `CircuitParameters` that belong to a coil, and ``dwell_s`` (wanted), ``repeat_strikes``.
    lead : dict of str to ndarray, shape (c, 2)
        Values that belong to a lead, gap, flow and scatter included.
    severity : dict of str to ndarray, shape (c, 2)
    energy_cause : ndarray of int, shape (c,)
    reversed_polarity : ndarray of bool, shape (c,)
    missing_rate : ndarray of float, shape (c,)
        Share of firings for which the coil is not switched.
    compression_ratio, coolant_K, plug_factor, speed_scatter : float
        ``speed_scatter`` is the relative scatter of the speed from firing to firing.
    """

    name: str
    ignition_type: str
    firing_order: tuple[int, ...]
    coils: tuple[tuple[int, ...], ...]
    coil: dict[str, NDArray]
    lead: dict[str, NDArray]
    severity: dict[str, NDArray]
    energy_cause: NDArray
    reversed_polarity: NDArray
    missing_rate: NDArray
    compression_ratio: float
    plug_factor: float
    speed_scatter: float

    @property
    def shared(self) -> bool:
        return self.ignition_type == "shared_coil"

    def place_of(self, cylinder: int) -> tuple[int, int]:
        """Return coil number and end of a cylinder's lead."""
        for number, cylinders in enumerate(self.coils):
            if cylinder in cylinders:
                return number, cylinders.index(cylinder)
        raise SimulationError(f"engine {self.name} has no cylinder {cylinder}; it has {self.firing_order}.")

    @property
    def leads(self) -> tuple[tuple[int, int, int], ...]:
        """Cylinder, coil and end of every lead, by cylinder."""
        return tuple((cylinder, *self.place_of(cylinder)) for cylinder in sorted(self.firing_order))


def draw_engine(recipe: StudyRecipe, rng: np.random.Generator, name: str) -> Engine:
    """Draw an engine and the conditions of its leads and coils.

    Parameters
    ----------
    recipe : StudyRecipe
    rng : numpy.random.Generator
    name : str

    Returns
    -------
    Engine
    """
    cylinders = int(rng.choice(recipe.cylinders))
    ignition_type = str(rng.choice(recipe.ignition_types))
    if cylinders not in SHARED_COIL_PAIRS:
        ignition_type = "coil_on_plug"
    order = FIRING_ORDERS[cylinders]
    shared = ignition_type == "shared_coil"
    coils = SHARED_COIL_PAIRS[cylinders] if shared else tuple((n,) for n in sorted(order))
    coil, lead = _draw_coils(len(coils), shared, rng)
    # Nothing is drawn where the usual structure is asked for: its engines stay what they were.
    if recipe.structure_share > 0:
        other = np.random.default_rng(rng.integers(2**63))
        if other.random() < recipe.structure_share:
            coil, lead = vary_structure(coil, lead, shared, other)
    severity, cause = _draw_conditions(recipe, coils, rng)
    reversed_polarity = rng.random(len(coils)) < recipe.reversed_share
    missing = rng.random() < recipe.missing_share
    missing_rate = np.where(rng.random(len(coils)) < 0.5, rng.uniform(0.1, 0.5, len(coils)), 0.0)
    return Engine(
        name=name,
        ignition_type=ignition_type,
        firing_order=order,
        coils=coils,
        coil=coil,
        lead=lead,
        severity=severity,
        energy_cause=cause,
        reversed_polarity=reversed_polarity,
        missing_rate=missing_rate if missing else np.zeros(len(coils)),
        compression_ratio=float(rng.uniform(8.0, 11.0)),
        plug_factor=float(rng.uniform(0.8, 1.0)),
        speed_scatter=float(rng.uniform(0.001, 0.01)),
    )


def _draw_coils(
    count: int, shared: bool, rng: np.random.Generator
) -> tuple[dict[str, NDArray], dict[str, NDArray]]:
    """Draw one make of coil, lead and plug, and its scatter from piece to piece.

    Ranges: common practice of the trade (inductances, resistances, capacitances, clamp), else our choice.
    """

    def pieces(low: float, high: float, scatter: float, shape: tuple[int, ...] = (count,)) -> NDArray:
        make = np.exp(rng.uniform(np.log(low), np.log(high)))
        return make * np.exp(scatter * rng.standard_normal(shape))

    ends = (count, 2)
    inductance = pieces(2.0e-3, 6.0e-3, 0.02)
    turns = pieces(70.0, 110.0, 0.005)
    current = pieces(5.5, 8.5, 0.01)
    current = np.minimum(current, np.sqrt(2.0 * 0.1 / inductance))  # at most 100 mJ
    resistance = pieces(0.35, 0.9, 0.02)
    primary_F = pieces(0.7e-9, 3e-9, 0.05)
    # Electronic dwell control aims at a current; most switches also hold it there if the coil gets there.
    limited = rng.random() < 0.5
    tower_F = pieces(55e-12, 110e-12, 0.05, ends)
    across_F = tower_F.prod(axis=1) / tower_F.sum(axis=1) if shared else tower_F[:, 0]
    # Losses of the core set the damping ratio of the ring, 0.05 to 0.15 (common practice).
    core_ohm = np.sqrt(inductance * turns**2 / across_F) / (2.0 * pieces(0.05, 0.15, 0.1))
    coil = {
        "primary_inductance_H": inductance,
        "primary_resistance_ohm": resistance,
        "primary_capacitance_F": primary_F,
        "primary_damping_ohm": pieces(15e-6, 50e-6, 0.05) / (2.0 * primary_F),
        "secondary_inductance_H": inductance * turns**2,
        "secondary_resistance_ohm": pieces(5e3, 12e3, 0.03),
        "blocking_diode": np.zeros(count, dtype=bool),
        "joint_capacitance_F": np.zeros(count),
        "section_share": np.full(count, 0.5),
        "section_leakage": np.full(count, 0.5),
        "coupling": 1.0 - pieces(0.02, 0.06, 0.05),
        "core_loss_ohm": core_ohm,
        "wanted_current_A": current,
        "current_limit_A": current if limited else np.full(count, 60.0),
        "clamp_V": pieces(360.0, 440.0, 0.02),
        "reverse_block_V": np.full(count, float(rng.uniform(20.0, 35.0))),
        "switch_on_ohm": pieces(0.05, 0.25, 0.02),
        "dwell_margin": np.full(count, float(rng.uniform(1.0, 1.25)) if limited else 1.0),
        "repeat_strikes": np.full(count, int(rng.integers(1, 3)) if rng.random() < 0.15 else 0),
    }
    gap_m = pieces(0.6e-3, 1.1e-3, 0.0, ends)
    lead = {
        "secondary_capacitance_F": tower_F,
        "series_ohm": pieces(1e3, 12e3, 0.08, ends),
        "plug_capacitance_F": pieces(6e-12, 15e-12, 0.05, ends),
        "nominal_gap_m": gap_m,
        "gap_length_m": gap_m * (1.0 + rng.uniform(-0.08, 0.08, ends)),
        "cathode_fall_V": pieces(280.0, 400.0, 0.03, ends),
        "polarity_gain": rng.uniform(1.1, 1.2, ends),
        "rebreakdown_ratio": rng.uniform(0.5, 0.75, ends),
        "plug_gain": np.exp(0.04 * rng.standard_normal(ends)),
        "breakdown_scatter": pieces(0.04, 0.10, 0.1, ends),
        "flow_m_per_s": pieces(0.3, 3.0, 0.1, ends),
        "flow_noise": pieces(0.02, 0.15, 0.1, ends),
        # A floating secondary loses its common charge over surfaces and corona (our choice).
        "tower_leak_ohm": pieces(15e6, 40e6, 0.1, ends) if shared else np.full(ends, np.inf),
        "hold_current_A": pieces(1e-3, 6e-3, 0.1, ends),
        "soft_end": np.full(ends, float(rng.uniform(0.3, 1.0)) if rng.random() < 0.15 else 0.0),
        "column_inertia_s": pieces(8e-6, 30e-6, 0.05, ends),
        "stretch_limit_V": pieces(1.5e3, 4e3, 0.1, ends),
        "fall_stays": np.zeros(ends, dtype=bool),
        "rotor_gap_V": np.zeros(ends),
        "column_ohm": np.zeros(ends),
    }
    return coil, lead


def _draw_conditions(
    recipe: StudyRecipe, coils: tuple[tuple[int, ...], ...], rng: np.random.Generator
) -> tuple[dict[str, NDArray], NDArray]:
    """Draw which leads and coils suffer from what, and how much."""
    severity = {name: np.zeros((len(coils), 2)) for name in recipe.conditions if name != "normal"}
    cause = rng.integers(0, len(ENERGY_CAUSES), len(coils))
    names = list(severity)
    if not names:
        return severity, cause
    of_coil = [name for name in names if name in COIL_CONDITIONS]
    of_lead = [name for name in names if name not in COIL_CONDITIONS]
    # Every condition has the same chance on a lead; a coil's own is drawn once for both its ends.
    for number, cylinders in enumerate(coils):
        if of_coil and rng.random() < recipe.faulty_share * len(of_coil) / len(names):
            chosen = str(rng.choice(of_coil))
            severity[chosen][number] = rng.uniform(*recipe.severity)
            faulty_coil = True
        else:
            faulty_coil = False
        for end in range(len(cylinders)):
            share = recipe.second_share if faulty_coil else recipe.faulty_share * len(of_lead) / len(names)
            if of_lead and rng.random() < share:
                chosen = str(rng.choice(of_lead))
                severity[chosen][number, end] = rng.uniform(*recipe.severity)
                if rng.random() < recipe.second_share:
                    other = str(rng.choice(of_lead))
                    severity[other][number, end] = rng.uniform(*recipe.severity)
    return severity, cause
