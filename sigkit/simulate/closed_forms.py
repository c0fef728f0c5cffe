"""Elementary formulas of the coil ignition circuit: what the integration must reproduce in simple cases.

All are first-year circuit theory (charging of R and L, series R-L-C, 1/2 L I^2, 1/2 C V^2) unless a
source is named.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray


def charging_current_A(
    supply_V: ArrayLike, resistance_ohm: ArrayLike, inductance_H: ArrayLike, time_s: ArrayLike
) -> NDArray:
    """Return the primary current after a dwell, V/R (1 - exp(-R t/L)) (Heywood 1988, equation 9.53).

    Examples
    --------
    >>> float(charging_current_A(13.5, 1.5, 4e-3, 3e-3).round(4))
    6.0781
    """
    supply_V, resistance_ohm = np.asarray(supply_V), np.asarray(resistance_ohm)
    return -supply_V / resistance_ohm * np.expm1(
        -resistance_ohm * np.asarray(time_s) / np.asarray(inductance_H)
    )


def charging_time_s(
    supply_V: ArrayLike, resistance_ohm: ArrayLike, inductance_H: ArrayLike, current_A: ArrayLike
) -> NDArray:
    """Return the dwell after which a current is reached; infinite above V/R.

    Examples
    --------
    >>> float((charging_time_s(14.0, 0.5, 3e-3, 7.0) * 1e3).round(4))
    1.7261
    """
    resistance_ohm = np.asarray(resistance_ohm, dtype=float)
    share = np.asarray(current_A) * resistance_ohm / np.asarray(supply_V)
    with np.errstate(divide="ignore", invalid="ignore"):
        time = -np.asarray(inductance_H) / resistance_ohm * np.log1p(-share)
    return np.where(share < 1.0, time, np.inf)


def magnetic_energy_J(inductance_H: ArrayLike, current_A: ArrayLike) -> NDArray:
    """Return 1/2 L I^2.

    Examples
    --------
    >>> float(magnetic_energy_J(4e-3, 6.0781).round(5))
    0.07389
    """
    return 0.5 * np.asarray(inductance_H) * np.asarray(current_A) ** 2


def electric_energy_J(capacitance_F: ArrayLike, voltage_V: ArrayLike) -> NDArray:
    """Return 1/2 C V^2.

    Examples
    --------
    >>> float(electric_energy_J(60e-12, 12e3).round(6))
    0.00432
    """
    return 0.5 * np.asarray(capacitance_F) * np.asarray(voltage_V) ** 2


def ring_frequency_Hz(inductance_H: ArrayLike, capacitance_F: ArrayLike) -> NDArray:
    """Return the undamped frequency 1/(2 pi sqrt(L C)).

    Examples
    --------
    >>> float(ring_frequency_Hz(40.0, 60e-12).round(2))
    3248.74
    """
    return 1.0 / (2.0 * np.pi * np.sqrt(np.asarray(inductance_H) * np.asarray(capacitance_F)))


def leakage_frequency_Hz(inductance_H: ArrayLike, coupling: ArrayLike, capacitance_F: ArrayLike) -> NDArray:
    """Return the frequency of the leakage inductance L (1 - k^2) with a capacitance.

    Examples
    --------
    >>> float(leakage_frequency_Hz(4e-3, 0.98, 1e-9).round(-2))
    399900.0
    """
    leakage = np.asarray(inductance_H) * (1.0 - np.asarray(coupling) ** 2)
    return ring_frequency_Hz(leakage, capacitance_F)


def series_damping_ratio(
    resistance_ohm: ArrayLike, inductance_H: ArrayLike, capacitance_F: ArrayLike
) -> NDArray:
    """Return the damping ratio R/2 sqrt(C/L) of a series circuit (copper loss).

    Examples
    --------
    >>> float(series_damping_ratio(8e3, 40.0, 60e-12).round(6))
    0.004899
    """
    return np.asarray(resistance_ohm) / 2 * np.sqrt(np.asarray(capacitance_F) / np.asarray(inductance_H))


def parallel_damping_ratio(
    resistance_ohm: ArrayLike, inductance_H: ArrayLike, capacitance_F: ArrayLike
) -> NDArray:
    """Return the damping ratio sqrt(L/C)/(2 R) of a parallel circuit (core loss).

    Examples
    --------
    >>> float(parallel_damping_ratio(4e6, 40.0, 60e-12).round(4))
    0.1021
    """
    return np.sqrt(np.asarray(inductance_H) / np.asarray(capacitance_F)) / (2 * np.asarray(resistance_ohm))


def switch_on_voltage_V(turns_ratio: ArrayLike, coupling: ArrayLike, supply_V: ArrayLike) -> NDArray:
    """Return the level about which the open secondary rings when the coil is switched on, n k V.

    Examples
    --------
    >>> float(switch_on_voltage_V(100.0, 0.98, 13.5).round(3))
    1323.0
    """
    return np.asarray(turns_ratio) * np.asarray(coupling) * np.asarray(supply_V)


def available_voltage_V(
    energy_J: ArrayLike, capacitance_F: ArrayLike, turns_ratio: ArrayLike, clamp_V: ArrayLike
) -> NDArray:
    """Return an upper bound of the secondary voltage: the smaller of sqrt(2 E/C) and n times the clamp.

    Examples
    --------
    >>> float(available_voltage_V(0.05, 60e-12, 100.0, 400.0).round(0))
    40000.0
    """
    by_energy = np.sqrt(2.0 * np.asarray(energy_J) / np.asarray(capacitance_F))
    return np.minimum(by_energy, np.asarray(turns_ratio) * np.asarray(clamp_V))


def burn_time_s(
    inductance_H: ArrayLike, resistance_ohm: ArrayLike, current_A: ArrayLike, voltage_V: ArrayLike
) -> NDArray:
    """Return how long a current keeps flowing against a constant voltage: L/R ln(1 + I R/V), L I/V at R = 0.

    Examples
    --------
    >>> [round(1e3 * float(burn_time_s(25.0, r, 0.06, 900.0)), 4) for r in (8e3, 0.0)]
    [1.3358, 1.6667]
    """
    inductance_H, voltage_V = np.asarray(inductance_H), np.asarray(voltage_V)
    drop = np.asarray(current_A) * np.asarray(resistance_ohm, dtype=float) / voltage_V
    lossless = inductance_H * np.asarray(current_A) / voltage_V
    return lossless * np.where(drop > 1e-9, np.log1p(drop) / np.where(drop > 1e-9, drop, 1.0), 1.0)


def burn_energy_split_J(
    inductance_H: ArrayLike, resistance_ohm: ArrayLike, current_A: ArrayLike, voltage_V: ArrayLike
) -> tuple[NDArray, NDArray]:
    """Return the energies into the constant voltage and into the resistance over `burn_time_s`.

    Examples
    --------
    >>> [round(1e3 * float(e), 2) for e in burn_energy_split_J(25.0, 8e3, 0.06, 900.0)]
    [33.5, 11.5]
    """
    resistance_ohm = np.asarray(resistance_ohm, dtype=float)
    voltage_V = np.asarray(voltage_V, dtype=float)
    duration = burn_time_s(inductance_H, resistance_ohm, current_A, voltage_V)
    total = magnetic_energy_J(inductance_H, current_A)
    # L dI = -(V + R I) dt integrates to a charge of (L I - V t)/R.
    charge = np.where(
        resistance_ohm > 0,
        (np.asarray(inductance_H) * np.asarray(current_A) - voltage_V * duration)
        / np.where(resistance_ohm > 0, resistance_ohm, 1.0),
        0.5 * np.asarray(current_A) * duration,
    )
    gap = voltage_V * charge
    return gap, total - gap


def triangle_energy_J(voltage_V: ArrayLike, current_A: ArrayLike, duration_s: ArrayLike) -> NDArray:
    """Return the energy of a current falling in a straight line to zero against a constant voltage.

    The idea of the Zener-string energy test (SAE J973, second-hand): the integral of v i dt.

    Examples
    --------
    >>> float(triangle_energy_J(1000.0, 0.06, 2e-3).round(6))
    0.06
    """
    return 0.5 * np.asarray(voltage_V) * np.asarray(current_A) * np.asarray(duration_s)


def series_drop_V(resistance_ohm: ArrayLike, current_A: ArrayLike) -> NDArray:
    """Return what a resistance between pickup and gap adds to the reading (Ohm).

    Examples
    --------
    >>> float(round(series_drop_V(13e3, 0.06), 6))
    780.0
    """
    return np.asarray(resistance_ohm) * np.asarray(current_A)
