"""Every condition as a continuous change of physical parameters, severity 0 (none) to 1 (severe)."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np
from numpy.typing import NDArray

from sigkit.errors import SimulationError
from sigkit.simulate.event_drivers import EventDrivers, coil_current_A
from sigkit.types.firing_table import CONDITIONS

#: Conditions of the coil: both ends of a shared coil have them.
COIL_CONDITIONS = ("low_coil_energy", "shorted_winding")

#: Conditions of the gas: without effect on the exhaust stroke.
GAS_CONDITIONS = ("lean_mixture", "low_compression")

#: Ways to lose coil energy: the coil is on too briefly, is fed too little, or its core stores too little.
ENERGY_CAUSES = ("short_dwell", "low_supply", "weak_core")


def wide_gap(drivers: EventDrivers, severity: NDArray) -> EventDrivers:
    """Widen the gap up to 2.5 times: breakdown and column voltage grow with it."""
    return drivers.with_(gap_length_m=drivers.parameters.gap_length_m * (1.0 + 1.5 * severity))


def narrow_gap(drivers: EventDrivers, severity: NDArray) -> EventDrivers:
    """Close the gap down to 15 %: breakdown and column voltage fall with it."""
    return drivers.with_(gap_length_m=drivers.parameters.gap_length_m * (1.0 - 0.85 * severity))


def fouled_plug(drivers: EventDrivers, severity: NDArray) -> EventDrivers:
    """Shunt the gap by a conducting deposit: 10 Mohm at first, 50 kohm when severe, logarithmic."""
    extra_S = (200.0**severity - 1.0) / 199.0 / 50e3
    return drivers.with_(shunt_ohm=_parallel(drivers.parameters.shunt_ohm, extra_S))


def open_secondary(drivers: EventDrivers, severity: NDArray) -> EventDrivers:
    """Break lead or plug: a series gap that takes 12 kV at severity 0.5 and is never bridged at 1."""
    with np.errstate(divide="ignore"):
        extra_V = 12e3 * severity / (1.0 - severity)
    return drivers.with_(open_gap_V=drivers.parameters.open_gap_V + extra_V)


def high_resistance(drivers: EventDrivers, severity: NDArray) -> EventDrivers:
    """Add up to 100 kohm in series (5 kohm at severity 0.22, logarithmic)."""
    extra_ohm = 100e3 * (20.0**severity - 1.0) / 19.0
    return drivers.with_(series_ohm=drivers.parameters.series_ohm + extra_ohm)


def lean_mixture(drivers: EventDrivers, severity: NDArray) -> EventDrivers:
    """Raise the excess air to 1.8: more breakdown voltage, scatter, stretching, and blow-outs."""
    reach = np.where(drivers.compression, severity, 0.0)
    return drivers.with_(excess_air=drivers.excess_air + 0.8 * reach)


def low_compression(drivers: EventDrivers, severity: NDArray) -> EventDrivers:
    """Lose up to 65 % of the charge: density and pressure at the spark fall together."""
    left = 1.0 - 0.65 * np.where(drivers.compression, severity, 0.0)
    return drivers.with_(
        pressure_bar=drivers.parameters.pressure_bar * left, density_ratio=drivers.density_ratio * left
    )


def low_coil_energy(drivers: EventDrivers, severity: NDArray, cause: NDArray | None = None) -> EventDrivers:
    """Store down to 15 % of the energy, by a short dwell, a low supply or a weak core.

    Parameters
    ----------
    drivers : EventDrivers
    severity : ndarray, shape (n, 2)
        The larger of the two ends counts.
    cause : ndarray of int, shape (n,), optional
        Position in `ENERGY_CAUSES`; short dwell by default.
    """
    p = drivers.parameters
    left = 1.0 - 0.85 * severity.max(axis=1)
    cause = np.zeros(len(drivers), dtype=int) if cause is None else np.asarray(cause)
    resistance = p.primary_resistance_ohm + p.switch_on_ohm
    current = coil_current_A(drivers)
    wanted = current * np.sqrt(left)
    short_s = -p.primary_inductance_H / resistance * np.log1p(-wanted * resistance / p.supply_V)
    low_V = wanted * resistance / -np.expm1(-p.dwell_s * resistance / p.primary_inductance_H)
    changed = left < 1.0
    # A core that stores less reaches the same current sooner; the energy falls with the inductance.
    weak = changed & (cause == 2)
    return drivers.with_(
        dwell_s=np.where(changed & (cause == 0), short_s, p.dwell_s),
        supply_V=np.where(changed & (cause == 1), np.minimum(low_V, p.supply_V), p.supply_V),
        primary_inductance_H=np.where(weak, left, 1.0) * p.primary_inductance_H,
        secondary_inductance_H=np.where(weak, left, 1.0) * p.secondary_inductance_H,
        current_limit_A=np.where(weak, np.minimum(p.current_limit_A, current), p.current_limit_A),
    )


def shorted_winding(drivers: EventDrivers, severity: NDArray) -> EventDrivers:
    """Short turns of the secondary: losses across it up to 50 times, up to 20 % fewer turns."""
    worst = severity.max(axis=1)
    p = drivers.parameters
    return drivers.with_(
        core_loss_ohm=p.core_loss_ohm * 0.02**worst,
        secondary_inductance_H=p.secondary_inductance_H * (1.0 - 0.2 * worst) ** 2,
    )


def insulation_leak(drivers: EventDrivers, severity: NDArray) -> EventDrivers:
    """Weaken the insulation of lead or tower: its median flash-over falls from 60 to 3 kV, erratically."""
    weak_V = np.where(severity > 0, 60e3 * 0.05**severity, np.inf)
    return drivers.with_(leak_strength_V=np.minimum(drivers.leak_strength_V, weak_V))


#: Condition -> the change it makes.
CONDITION_CHANGES: dict[str, Callable[..., EventDrivers]] = {
    "wide_gap": wide_gap, "narrow_gap": narrow_gap, "fouled_plug": fouled_plug,
    "open_secondary": open_secondary, "high_resistance": high_resistance, "lean_mixture": lean_mixture,
    "low_compression": low_compression, "low_coil_energy": low_coil_energy,
    "shorted_winding": shorted_winding, "insulation_leak": insulation_leak,
}  # fmt: skip


def apply_conditions(
    drivers: EventDrivers, severity: Mapping[str, NDArray], energy_cause: NDArray | None = None
) -> EventDrivers:
    """Apply conditions to events.

    Parameters
    ----------
    drivers : EventDrivers
        n events without any condition.
    severity : mapping of str to ndarray, shape (n, 2)
        Severity of each condition at each end, 0 to 1; conditions left out are absent.
    energy_cause : ndarray of int, shape (n,), optional
        For ``low_coil_energy``, position in `ENERGY_CAUSES`.

    Returns
    -------
    EventDrivers

    Raises
    ------
    SimulationError
        For an unknown condition or a severity outside 0 to 1.
    """
    for condition in CONDITIONS[1:]:  # the fixed order keeps results the same for any order of the mapping
        if condition not in severity:
            continue
        values = np.asarray(severity[condition], dtype=float)
        if values.shape != (len(drivers), 2) or not (np.all(values >= 0) and np.all(values <= 1)):
            raise SimulationError(
                f"severity of {condition} must have shape ({len(drivers)}, 2) and lie between 0 and 1, "
                f"got shape {values.shape}. Give one number for each event and end."
            )
        if not values.any():
            continue
        if condition == "low_coil_energy":
            drivers = low_coil_energy(drivers, values, energy_cause)
        else:
            drivers = CONDITION_CHANGES[condition](drivers, values)
    unknown = sorted(set(severity) - set(CONDITIONS))
    if unknown:
        raise SimulationError(f"unknown condition {', '.join(unknown)}; known: {', '.join(CONDITIONS)}")
    return drivers


def _parallel(ohm: NDArray, extra_S: NDArray) -> NDArray:
    """Return a resistance with a further conductance across it; inf stays inf where nothing is added."""
    with np.errstate(divide="ignore"):
        return 1.0 / (1.0 / ohm + extra_S)
