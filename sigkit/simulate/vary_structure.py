"""Engines of other structure than the usual: steady columns, ends that fade unseen, rotor gaps, diodes, sections."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray


def vary_structure(
    coil: dict[str, NDArray], lead: dict[str, NDArray], shared: bool, rng: np.random.Generator
) -> tuple[dict[str, NDArray], dict[str, NDArray]]:
    """Change one make of coil, lead and plug.

    Three in five makes get a column that keeps its voltage however small the current, three in five get ends that fade,
    most of these with the fall kept up while the conductance goes, so that the voltage shows no kink; two in five of
    those whose coils feed one plug at a time get a rotor gap, and two in five of the others a blocking diode behind the
    secondary, which leaves the lead charged; a quarter get a secondary of two sections with a capacitance at their
    joint, and a quarter gaps that the ring easily lights again; damping, holding current, capacitance and the channel's
    inertia leave their usual ranges. All ranges are our choice.

    Parameters
    ----------
    coil, lead : dict of str to ndarray
        As drawn by `sigkit.simulate.engine`.
    shared : bool
        Whether the coils feed two plugs: neither rotor gap nor diode then.
    rng : numpy.random.Generator

    Returns
    -------
    coil, lead : dict of str to ndarray
        New dictionaries.
    """
    ends = lead["soft_end"].shape

    def factor(low: float, high: float) -> float:
        return float(np.exp(rng.uniform(np.log(low), np.log(high))))

    coil, lead = dict(coil), dict(lead)
    if rng.random() < 0.6:
        lead["soft_end"] = np.full(ends, factor(0.01, 0.7))
        lead["fall_stays"] = np.full(ends, bool(rng.random() < 0.7))
    if rng.random() < 0.6:
        lead["column_ohm"] = factor(0.5e3, 10e3) * np.exp(0.1 * rng.standard_normal(ends))
        lead["fall_stays"] = lead["soft_end"] > 0
    if not shared and rng.random() < 0.4:
        lead["rotor_gap_V"] = rng.uniform(1.5e3, 4e3) * np.exp(0.05 * rng.standard_normal(ends))
    elif not shared and rng.random() < 0.4:
        coil["blocking_diode"] = np.ones(ends[0], dtype=bool)
        # What is left on the lead goes over insulation and corona.
        lead["tower_leak_ohm"] = np.full(ends, factor(4e6, 40e6))
    if rng.random() < 0.25:
        lead["rebreakdown_ratio"] = lead["rebreakdown_ratio"] * factor(0.15, 0.6)
    if rng.random() < 0.25:
        coil["joint_capacitance_F"] = lead["secondary_capacitance_F"].mean(axis=1) * factor(0.15, 0.7)
        coil["section_share"] = np.full(ends[0], rng.uniform(0.35, 0.65))
        coil["section_leakage"] = np.full(ends[0], rng.uniform(0.25, 1.0))
    coil["core_loss_ohm"] = coil["core_loss_ohm"] * factor(0.5, 2.0)
    lead["hold_current_A"] = lead["hold_current_A"] * factor(0.5, 2.0)
    lead["secondary_capacitance_F"] = lead["secondary_capacitance_F"] * factor(0.6, 1.6)
    lead["column_inertia_s"] = lead["column_inertia_s"] * factor(0.3, 2.0)
    return coil, lead
