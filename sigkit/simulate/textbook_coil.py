"""An invented coil with round numbers, for checks against closed forms."""

from __future__ import annotations

from typing import Any

import numpy as np

from sigkit.simulate.circuit_parameters import CircuitParameters

#: Round values of an open engine model's invented coil: they check an integration, not nature.
_VALUES: dict[str, Any] = {
    "shared": False, "supply_V": 13.5, "primary_inductance_H": 4e-3, "primary_resistance_ohm": 1.5,
    "primary_capacitance_F": 1e-9, "secondary_inductance_H": 40.0, "secondary_resistance_ohm": 8e3,
    "secondary_capacitance_F": 59.97e-12, "coupling": 0.98, "core_loss_ohm": np.inf, "current_limit_A": 7.0,
    "clamp_V": 400.0, "reverse_block_V": 24.0, "dwell_s": 3e-3, "winding_sign": 1, "series_ohm": 3.0,
    "shunt_ohm": np.inf, "tower_leak_ohm": np.inf, "leak_breakdown_V": np.inf,
    "plug_capacitance_F": 0.03e-12, "open_gap_V": 0.0, "breakdown_V": np.inf, "cathode_fall_V": 294.89,
    "gap_length_m": 0.508e-3, "pressure_bar": 10.4, "stretch_m_per_s": 0.0, "stretch_limit_V": np.inf,
    "flow_noise": 0.0, "blow_out_s": np.inf, "rebreakdown_V": np.inf, "hold_current_A": 2e-3,
    "soft_end": 0.0, "repeat_strikes": 0, "repeat_burn_s": 1e-3, "repeat_dwell_s": 2e-3,
    "switch_on_ohm": 1e-4, "primary_damping_ohm": np.inf, "column_inertia_s": 1e-6,
}
_TWO_ENDED = (
    "secondary_capacitance_F", "series_ohm", "shunt_ohm", "tower_leak_ohm", "leak_breakdown_V",
    "plug_capacitance_F", "open_gap_V", "breakdown_V", "cathode_fall_V", "gap_length_m", "pressure_bar",
    "stretch_m_per_s", "stretch_limit_V", "flow_noise", "blow_out_s", "rebreakdown_V", "hold_current_A",
    "soft_end", "column_inertia_s",
)


def textbook_coil(**changes: Any) -> CircuitParameters:
    """Return one event on an invented coil: 4 mH and 40 H, 60 pF, 3 ms of dwell, a gap that never breaks down.

    Parameters
    ----------
    **changes
        Fields of `CircuitParameters`: one number, or two for the two ends.

    Returns
    -------
    CircuitParameters
        One event.

    Examples
    --------
    >>> coil = textbook_coil(breakdown_V=9172.0)
    >>> len(coil), float(coil.breakdown_V[0, 0])
    (1, 9172.0)
    """
    arrays = {}
    for name, value in {**_VALUES, **changes}.items():
        shape = (1, 2) if name in _TWO_ENDED else (1,)
        arrays[name] = np.array(np.broadcast_to(np.asarray(value), shape))
    return CircuitParameters(**arrays)
