"""Physical parameters of ignition events, one array entry an event."""

from __future__ import annotations

from dataclasses import dataclass, field, fields, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray


def _left_out() -> NDArray:
    return np.empty(0)


@dataclass(frozen=True, eq=False)
class CircuitParameters:
    """Parameters of n ignition events. Arrays have shape (n,), or (n, 2) for the two ends of a secondary.

    A single coil has its far end grounded, or behind a blocking diode: only column 0 of the two-end arrays
    counts. On a shared coil
    end 0 and end 1 fire with opposite polarity in series. ``winding_sign`` is the sign of the firing
    voltage at end 0 (-1 is usual). Times count from the first switching-off of the coil.

    Units: V, A, ohm, H, F, s, m, bar, K.
    """

    shared: NDArray  # bool
    supply_V: NDArray
    primary_inductance_H: NDArray
    primary_resistance_ohm: NDArray
    primary_capacitance_F: NDArray
    secondary_inductance_H: NDArray
    secondary_resistance_ohm: NDArray
    secondary_capacitance_F: NDArray  # (n, 2) coil and lead, to ground, at each tower
    coupling: NDArray
    core_loss_ohm: NDArray  # across the secondary winding; shorted turns lower it
    current_limit_A: NDArray
    clamp_V: NDArray
    reverse_block_V: NDArray  # the switch conducts backwards below minus this
    dwell_s: NDArray
    winding_sign: NDArray  # int
    series_ohm: NDArray  # (n, 2) lead + resistor plug, between tower and gap
    shunt_ohm: NDArray  # (n, 2) fouling across the gap; inf for none
    tower_leak_ohm: NDArray  # (n, 2) tracking from tower to ground; inf for none
    leak_breakdown_V: NDArray  # (n, 2) the insulation flashes over above this; inf for never
    plug_capacitance_F: NDArray  # (n, 2)
    open_gap_V: NDArray  # (n, 2) extra series gap of a broken lead or plug; 0 for none, inf for never bridged
    breakdown_V: NDArray  # (n, 2) of the plug gap at this density, polarity and cycle
    cathode_fall_V: NDArray  # (n, 2)
    gap_length_m: NDArray  # (n, 2)
    pressure_bar: NDArray  # (n, 2)
    stretch_m_per_s: NDArray  # (n, 2) growth of the channel length in the flow
    stretch_limit_V: NDArray  # (n, 2) column voltage at which the channel short-cuts; inf for never
    flow_noise: NDArray  # (n, 2) relative rms of slow channel-length fluctuation
    blow_out_s: NDArray  # (n, 2) instant at which the flow extinguishes the discharge; inf for never
    rebreakdown_V: NDArray  # (n, 2) to re-ignite the hot gap
    hold_current_A: NDArray  # (n, 2)
    soft_end: NDArray  # (n, 2) 0 sharp extinction ... 1 conductance fades without a visible rise
    repeat_strikes: NDArray  # int, 0 for one discharge only
    repeat_burn_s: NDArray  # burn allowed before the coil is switched on again
    repeat_dwell_s: NDArray
    # Fields with a default fill themselves when left out (our choices: 0.1 ohm, none, 20 us, no, no, 0, 0,
    # a half, a half).
    switch_on_ohm: NDArray = field(default_factory=_left_out)  # (n,) of the conducting switch
    primary_damping_ohm: NDArray = field(default_factory=_left_out)  # (n,) across the primary winding; inf: none
    column_inertia_s: NDArray = field(default_factory=_left_out)  # (n, 2) of the glow column's conductance
    fall_stays: NDArray = field(default_factory=_left_out)  # bool (n, 2): a soft end fades over the cathode fall
    blocking_diode: NDArray = field(default_factory=_left_out)  # bool (n,): ends the secondary of a single coil
    column_ohm: NDArray = field(default_factory=_left_out)  # (n, 2) of a column that keeps its fall; 0: glow law
    # (n,) to ground from the joint of two sections of the secondary; 0: one piece
    joint_capacitance_F: NDArray = field(default_factory=_left_out)
    section_share: NDArray = field(default_factory=_left_out)  # (n,) of the turns in the section at tower 0
    section_leakage: NDArray = field(default_factory=_left_out)  # (n,) between them, of 1 - coupling squared

    def __post_init__(self) -> None:
        n = len(self)
        for name, value in (("switch_on_ohm", np.full(n, 0.1)), ("primary_damping_ohm", np.full(n, np.inf)),
                            ("column_inertia_s", np.full((n, 2), 20e-6)),
                            ("fall_stays", np.zeros((n, 2), dtype=bool)),
                            ("blocking_diode", np.zeros(n, dtype=bool)), ("column_ohm", np.zeros((n, 2))),
                            ("joint_capacitance_F", np.zeros(n)), ("section_share", np.full(n, 0.5)),
                            ("section_leakage", np.full(n, 0.5))):
            if getattr(self, name).size == 0:
                object.__setattr__(self, name, value)

    def __len__(self) -> int:
        return int(self.supply_V.shape[0])

    def take(self, rows: NDArray) -> CircuitParameters:
        """Return the events with the given row numbers."""
        return CircuitParameters(**{f.name: getattr(self, f.name)[rows] for f in fields(self)})

    def with_(self, **changes: Any) -> CircuitParameters:
        """Return a copy with some arrays changed."""
        return replace(self, **changes)


def concatenate(parts: list[CircuitParameters]) -> CircuitParameters:
    """Stack parameter sets."""
    return CircuitParameters(
        **{f.name: np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(CircuitParameters)}
    )
