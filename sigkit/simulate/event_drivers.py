"""What drives the firings of an engine: gap, gas, mixture, leads and coil, before they become a circuit."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sigkit.simulate.circuit_parameters import CircuitParameters
from sigkit.simulate.gap_laws import required_voltage_V


@dataclass(frozen=True, eq=False)
class EventDrivers:
    """Physical state of n events at the two ends of their secondary. Arrays have shape (n, 2) unless said.

    Conditions (`sigkit.simulate.conditions`) change these; `circuit` turns them into parameters.

    Attributes
    ----------
    parameters : CircuitParameters
        Everything that passes unchanged; its ``breakdown_V``, ``rebreakdown_V``,
        ``leak_breakdown_V``, ``blow_out_s``, ``flow_noise`` and ``stretch_m_per_s`` are filled in by `circuit`.
    nominal_gap_m, nominal_core_loss_ohm, nominal_series_ohm : ndarray
        Of this lead or coil without any condition.
    nominal_energy_J : ndarray, shape (n,)
        Energy in the coil at coil_off without any condition.
    temperature_K : ndarray
        Of the gas between the electrodes.
    density_ratio : ndarray
        Density at the spark over that of a sound cylinder at the same load.
    excess_air : ndarray
        Air over the air needed to burn the fuel; 1 is a sound mixture.
    plug_factor : ndarray
        Breakdown of this plug over that of the usual plug.
    rebreakdown_ratio : ndarray
        Voltage that re-ignites the hot gap over that of the first breakdown.
    polarity_factor : ndarray
        1 for a negative centre electrode, 1.1 to 1.2 for a positive one (common practice).
    breakdown_scatter : ndarray
        Relative scatter from cycle to cycle; ``breakdown_draw`` is the standard normal draw it multiplies.
    flow_m_per_s, flow_noise : ndarray
        Growth of the channel and its fluctuation in a sound mixture.
    leak_strength_V : ndarray
        Median flash-over of the insulation, inf when sound; ``leak_draw`` a standard normal draw.
    blow_out_draw, blow_out_at_s : ndarray
        Uniform draw, and the instant of a blow-out should one happen.
    compression : ndarray of bool
        True where the piston is at the end of its compression.
    breakdown_draw, leak_draw : ndarray
    """

    parameters: CircuitParameters
    nominal_gap_m: NDArray
    nominal_core_loss_ohm: NDArray
    nominal_series_ohm: NDArray
    nominal_energy_J: NDArray
    temperature_K: NDArray
    density_ratio: NDArray
    excess_air: NDArray
    plug_factor: NDArray
    rebreakdown_ratio: NDArray
    polarity_factor: NDArray
    breakdown_scatter: NDArray
    breakdown_draw: NDArray
    flow_m_per_s: NDArray
    flow_noise: NDArray
    leak_strength_V: NDArray
    leak_draw: NDArray
    blow_out_draw: NDArray
    blow_out_at_s: NDArray
    compression: NDArray

    def __len__(self) -> int:
        return len(self.parameters)

    def with_(self, **changes: Any) -> EventDrivers:
        """Return a copy with some arrays changed; names of circuit parameters go to ``parameters``."""
        own = {f.name for f in fields(self)}
        inner = {name: value for name, value in changes.items() if name not in own}
        outer = {name: value for name, value in changes.items() if name in own}
        if inner:
            outer["parameters"] = self.parameters.with_(**inner)
        return replace(self, **outer)

    def take(self, rows: NDArray) -> EventDrivers:
        """Return the events with the given row numbers."""
        values: dict[str, Any] = {f.name: getattr(self, f.name) for f in fields(self)}
        taken: dict[str, Any] = {
            name: value.take(rows) if isinstance(value, CircuitParameters) else value[rows]
            for name, value in values.items()
        }
        return EventDrivers(**taken)


def median_breakdown_V(drivers: EventDrivers) -> NDArray[np.float64]:
    """Return the breakdown voltage each gap asks for, without its scatter from cycle to cycle.

    Law of the gap at its density (`required_voltage_V`) times the factors of plug, polarity and mixture. A lean
    mixture asks for more (direction: common practice; 50 % at an excess air of 1.8 is our choice).

    Returns
    -------
    ndarray, shape (n, 2)
        Volts, positive.
    """
    p = drivers.parameters
    required_V = required_voltage_V(p.pressure_bar, drivers.temperature_K, p.gap_length_m)
    lean = 1.0 + 0.625 * np.clip(drivers.excess_air - 1.0, 0.0, None)
    return required_V * drivers.plug_factor * drivers.polarity_factor * lean


def coil_current_A(drivers: EventDrivers) -> NDArray[np.float64]:
    """Return the primary current at coil_off, shape (n,), from the exponential rise of an RL circuit."""
    p = drivers.parameters
    rise = p.primary_resistance_ohm + p.switch_on_ohm
    current = p.supply_V / rise * (1.0 - np.exp(-p.dwell_s * rise / p.primary_inductance_H))
    return np.minimum(current, p.current_limit_A)


def coil_energy_J(drivers: EventDrivers) -> NDArray[np.float64]:
    """Return the energy in the coil at coil_off, shape (n,): half the inductance times current squared."""
    return 0.5 * drivers.parameters.primary_inductance_H * coil_current_A(drivers) ** 2


def circuit(drivers: EventDrivers) -> CircuitParameters:
    """Turn drivers into circuit parameters.

    Lean mixtures make the flow at the gap stronger relative to the kernel, the breakdown more scattered
    and blow-outs more frequent (directions: common practice; sizes: our choice).

    Returns
    -------
    CircuitParameters
    """
    lean = np.clip(drivers.excess_air - 1.0, 0.0, None)
    scatter = drivers.breakdown_scatter * (1.0 + 2.0 * lean)
    breakdown_V = median_breakdown_V(drivers) * np.exp(scatter * drivers.breakdown_draw)
    breakdown_V = np.clip(breakdown_V, 300.0, None)  # about the least any gap in air asks for
    # The insulation flashes over anywhere between well below and above its median: relative scatter 0.3.
    leak_V = drivers.leak_strength_V * np.exp(0.3 * drivers.leak_draw)
    blown = drivers.blow_out_draw < 0.9 * lean**2
    return drivers.parameters.with_(
        breakdown_V=breakdown_V,
        rebreakdown_V=drivers.rebreakdown_ratio * breakdown_V,
        leak_breakdown_V=leak_V,
        stretch_m_per_s=drivers.flow_m_per_s * (1.0 + 2.5 * lean),
        flow_noise=drivers.flow_noise * (1.0 + 3.0 * lean),
        blow_out_s=np.where(blown, drivers.blow_out_at_s, np.inf),
    )
