"""Refuse circuit parameters that cannot be integrated, naming field, event and remedy."""

from __future__ import annotations

from dataclasses import fields

import numpy as np

from sigkit.errors import SimulationError
from sigkit.simulate.circuit_parameters import CircuitParameters

_POSITIVE = (
    "primary_inductance_H", "primary_resistance_ohm", "primary_capacitance_F", "secondary_inductance_H",
    "secondary_resistance_ohm", "secondary_capacitance_F", "core_loss_ohm", "current_limit_A", "clamp_V",
    "reverse_block_V", "dwell_s", "shunt_ohm", "tower_leak_ohm", "leak_breakdown_V", "plug_capacitance_F",
    "breakdown_V", "cathode_fall_V", "gap_length_m", "pressure_bar", "stretch_limit_V", "rebreakdown_V",
    "hold_current_A", "repeat_burn_s", "repeat_dwell_s", "switch_on_ohm", "primary_damping_ohm",
    "column_inertia_s",
)
_NOT_NEGATIVE = ("series_ohm", "open_gap_V", "stretch_m_per_s", "flow_noise", "soft_end", "repeat_strikes",
                 "supply_V", "blow_out_s", "column_ohm", "joint_capacitance_F")
#: What may be infinite: absent leaks and events that never come.
_MAY_BE_INFINITE = ("core_loss_ohm", "shunt_ohm", "tower_leak_ohm", "leak_breakdown_V", "breakdown_V",
                    "stretch_limit_V", "rebreakdown_V", "open_gap_V", "blow_out_s", "primary_damping_ohm")


def check_parameters(parameters: CircuitParameters) -> None:
    """Raise `SimulationError` for the first parameter outside its range.

    Raises
    ------
    SimulationError
        When a shape, sign, NaN or infinity cannot be used, or the coupling is not in (0, 1).
    """
    n = len(parameters)
    both = np.flatnonzero(parameters.blocking_diode & parameters.shared)
    if both.size:
        raise SimulationError(
            f"blocking_diode of event {both[0]} is true on a shared coil, whose two plugs fire in series with opposite "
            "polarity and leave no end of the winding for it. Set it on single coils only."
        )
    for field in fields(CircuitParameters):
        name, value = field.name, np.asarray(getattr(parameters, field.name))
        if value.shape[:1] != (n,) or value.shape[1:] not in ((), (2,)):
            raise SimulationError(
                f"{name} has shape {value.shape}; expected ({n},) or ({n}, 2). Give one entry an event."
            )
        if value.dtype == bool:
            continue
        wrong = np.isnan(value)
        wanted = "a number"
        if name not in _MAY_BE_INFINITE:
            wrong |= np.isinf(value)
            wanted = "a finite number"
        if name in _POSITIVE:
            wrong |= value <= 0
            wanted += " above zero"
        elif name in _NOT_NEGATIVE:
            wrong |= value < 0
            wanted += " not below zero"
        elif name in ("coupling", "section_share", "section_leakage"):
            wrong |= (value <= 0) | (value >= 1)
            wanted += " between 0 and 1, both excluded"
        elif name == "winding_sign":
            wrong |= np.abs(value) != 1
            wanted = "+1 or -1"
        if wrong.any():
            place = tuple(int(i) for i in np.argwhere(wrong)[0])
            raise SimulationError(
                f"{name} of event {place[0]} is {value[place]}; expected {wanted}. Correct this parameter."
            )
