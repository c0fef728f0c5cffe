"""Breakdown and burning of spark gaps: published laws as vectorised functions.

All lengths in metres, pressures in bar, temperatures in kelvin, voltages in volt. Laws for air differ
among each other by 30-40 %: take them as a band.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

#: Reference temperature of densities (20 degrees C), K, and one Torr cm in bar m.
REFERENCE_K = 293.15
TORR_CM = 1.33322368e-3 * 1e-2


def paschen_voltage_V(
    pressure_distance_Torr_cm: ArrayLike, *, a: float = 15.0, b_V: float = 365.0, emission: float = 0.01
) -> NDArray:
    """Breakdown of a uniform field after Paschen and Townsend, V = B pd / ln(A pd / ln(1 + 1/gamma)).

    Parameters
    ----------
    pressure_distance_Torr_cm : array_like
        Pressure times distance, Torr cm, not negative.
    a, b_V : float
        Constants of air, 1/(Torr cm) and V/(Torr cm): 15 and 365 are the usual textbook pair; Cobine,
        Gaseous Conductors (1941/1958), has 14.6 and 365. Fitted at 100-800 V/(Torr cm), well above
        engine gaps.
    emission : float
        Secondary emission coefficient gamma, about 0.01 in air (0.02 for iron after Cobine).

    Returns
    -------
    ndarray
        Volt; infinite left of the asymptote, where no voltage breaks the gap down.

    Examples
    --------
    >>> float(paschen_voltage_V(76.0).round(0))
    5035.0
    """
    pd = np.asarray(pressure_distance_Torr_cm, dtype=float)
    gain = a * pd / np.log1p(1.0 / emission)
    with np.errstate(divide="ignore", invalid="ignore"):
        voltage = b_V * pd / np.log(gain)
    return np.where(gain > 1.0, voltage, np.inf)


def paschen_minimum(*, a: float = 15.0, b_V: float = 365.0, emission: float = 0.01) -> tuple[float, float]:
    """Return the lowest breakdown voltage (V) of `paschen_voltage_V` and its pd (Torr cm).

    Examples
    --------
    >>> [round(x, 3) for x in paschen_minimum()]
    [305.266, 0.836]
    """
    escape = float(np.log1p(1.0 / emission))
    return float(np.e * b_V / a * escape), float(np.e * escape / a)


def measured_minimum_fit_V(pressure_distance_atm_m: ArrayLike) -> NDArray:
    """Fit through the measured minimum of air, V = 43.6e6 pd / (ln pd + 12.8), pd in atm m.

    Good near the minimum (327 V at 7.5e-6 atm m) only: at 1 mm and 1 atm it is far too high. Constants
    from a popular web page on Paschen's law that doubts them itself; second-hand.

    Examples
    --------
    >>> float(measured_minimum_fit_V(7.5046e-6).round(1))
    327.2
    """
    pd = np.asarray(pressure_distance_atm_m, dtype=float)
    with np.errstate(divide="ignore", invalid="ignore"):
        slope = np.log(pd) + 12.8
        voltage = 43.6e6 * pd / slope
    return np.where(slope > 0, voltage, np.inf)


def normal_cathode_fall_V(*, a: float = 14.6, b_V: float = 365.0, emission: float = 0.02) -> float:
    """Return the normal cathode fall V_n = 3 (B / A) ln(1 + 1/gamma) (Cobine's constants, iron in air).

    Examples
    --------
    >>> round(normal_cathode_fall_V(), 2)
    294.89
    """
    return float(3.0 * b_V / a * np.log1p(1.0 / emission))


def uniform_field_voltage_V(pressure_bar: ArrayLike, temperature_K: ArrayLike, gap_m: ArrayLike) -> NDArray:
    """Breakdown of air in a uniform field, V[kV] = 24.36 x + 6.72 sqrt(x), x = p 293.15/T d (bar cm).

    Kuffel, Zaengl and Kuffel, High Voltage Engineering, chapter 5 (second-hand). For x from about
    0.01 bar cm on.

    Examples
    --------
    >>> float(uniform_field_voltage_V(1.0, 293.15, 1e-3).round(1))
    4561.1
    """
    x = np.asarray(pressure_bar) * REFERENCE_K / np.asarray(temperature_K) * np.asarray(gap_m) * 100.0
    return 1e3 * (24.36 * x + 6.72 * np.sqrt(x))


def plug_voltage_V(
    pressure_bar: ArrayLike,
    temperature_K: ArrayLike,
    gap_m: ArrayLike,
    *,
    density_kV_K_per_bar: float = 136.0,
) -> NDArray:
    """Breakdown of a spark plug, V[kV] = 4.3 + 136 p/T + 324 p d/T (bar, K, mm).

    Pashley, Stone and Roberts, SAE 2000-01-0245 (second-hand; one quotation has 146 for 136, 1.5 % at
    10 bar and 600 K). The offset of 4.3 kV makes it too high at low density.

    Examples
    --------
    >>> float(plug_voltage_V(10.0, 600.0, 0.8e-3).round(0))
    10887.0
    """
    density = np.asarray(pressure_bar) / np.asarray(temperature_K)
    return 1e3 * (4.3 + density_kV_K_per_bar * density + 324.0 * density * np.asarray(gap_m) * 1e3)


def required_voltage_V(pressure_bar: ArrayLike, temperature_K: ArrayLike, gap_m: ArrayLike) -> NDArray:
    """Return the smaller of plug correlation and 0.75 times the uniform-field law.

    The plug correlation has an unphysical offset at low density, where plugs are known to stay below the
    uniform field (2-4 kV at 1 bar; Denton, Automobile Electrical and Electronic Systems): hence 0.75
    (our choice).

    Examples
    --------
    >>> float(required_voltage_V(1.0, 500.0, 0.8e-3).round(-2))
    1900.0
    """
    return np.minimum(
        plug_voltage_V(pressure_bar, temperature_K, gap_m),
        0.75 * uniform_field_voltage_V(pressure_bar, temperature_K, gap_m),
    )


def glow_column_V(length_m: ArrayLike, pressure_bar: ArrayLike, current_A: ArrayLike) -> NDArray:
    """Voltage along a glow column, 40.46 l[mm] p[bar]^0.51 I[A]^-0.32.

    Kim and Anderson, SAE 952459 (second-hand).

    Examples
    --------
    >>> float(glow_column_V(1e-3, 1.0, 0.1).round(3))
    84.533
    """
    fade = np.asarray(current_A, dtype=float) ** -0.32
    return 40.46e3 * np.asarray(length_m) * np.asarray(pressure_bar) ** 0.51 * fade


def glow_column_length_m(column_V: ArrayLike, pressure_bar: ArrayLike, current_A: ArrayLike) -> NDArray:
    """Length of a glow column from its voltage (inverse of `glow_column_V`).

    Examples
    --------
    >>> float(glow_column_length_m(682.94, 10.0, 0.05).round(6))
    0.002
    """
    return np.asarray(column_V) / glow_column_V(1.0, pressure_bar, current_A)


def arc_column_V(
    length_m: ArrayLike, pressure_bar: ArrayLike, current_A: ArrayLike, *, coefficient: float = 6.31
) -> NDArray:
    """Voltage along an arc column, c l[mm] p[bar]^0.51 I[A]^-0.75.

    The same source as `glow_column_V`; the coefficient is quoted as 6.21 and 6.31 (the latter from memory).

    Examples
    --------
    >>> float(arc_column_V(1e-3, 1.0, 1.0).round(2))
    6.31
    """
    return (
        coefficient * 1e3 * np.asarray(length_m) * np.asarray(pressure_bar) ** 0.51
        * np.asarray(current_A, float) ** -0.75
    )


def toepler_resistance_ohm(
    gap_m: ArrayLike, charge_C: ArrayLike, *, constant_Vs_per_m: float = 4e-3
) -> NDArray:
    """Resistance of a young spark after Toepler, k d / (charge that has flowed).

    The constant is about 4e-3 V s/m (4-8e-3 from memory).

    Examples
    --------
    >>> float(toepler_resistance_ohm(1e-3, 1e-6).round(6))
    4.0
    """
    return constant_Vs_per_m * np.asarray(gap_m) / np.asarray(charge_C)


def rompe_weizel_resistance_ohm(
    gap_m: ArrayLike, action_A2s: ArrayLike, *, constant_m2_per_s_V2: float = 1e-4
) -> NDArray:
    """Resistance of a young spark after Rompe and Weizel, d / sqrt(2 a integral of i^2 dt).

    At 1 atm the constant was fitted as 0.22e-4 to 2.32e-4 m^2/(s V^2) (Schrama et al., arXiv 2509.05791).

    Examples
    --------
    >>> float(rompe_weizel_resistance_ohm(1e-3, 1e-6).round(2))
    70.71
    """
    return np.asarray(gap_m) / np.sqrt(2.0 * constant_m2_per_s_V2 * np.asarray(action_A2s))
