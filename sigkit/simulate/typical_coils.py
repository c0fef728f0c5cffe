"""Plausible coils and gaps of engines in good order, drawn at random."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sigkit.simulate.circuit_parameters import CircuitParameters
from sigkit.simulate.gap_laws import required_voltage_V


def typical_coils(
    n: int, rng: np.random.Generator, *, shared: bool | NDArray = False, power_end: NDArray | None = None
) -> CircuitParameters:
    """Draw n independent normal ignition events, each with its own coil, leads and gaps.

    Ranges are common practice without a source, narrowed by us: a turns ratio of 70-100, 5-8 A, 30-90 mJ,
    gaps of 0.6-1.0 mm, required voltage 4-15 kV under compression and 1-4 kV on the exhaust stroke, after-burn
    ring of damping ratio 0.05-0.15.

    Parameters
    ----------
    n : int
        Number of events.
    rng : numpy.random.Generator
    shared : bool or ndarray of bool, shape (n,)
        Coil with two towers.
    power_end : ndarray of int, shape (n,), optional
        Which end of a shared coil fires under compression (0 or 1); drawn when not given.

    Returns
    -------
    CircuitParameters

    Examples
    --------
    >>> coils = typical_coils(3, np.random.default_rng(1), shared=True)
    >>> len(coils), bool(coils.shared.all())
    (3, True)
    """

    def uniform(low: float, high: float, *shape: int) -> NDArray:
        return rng.uniform(low, high, shape or (n,))

    is_shared = np.broadcast_to(np.asarray(shared, dtype=bool), (n,)).copy()
    primary_H = uniform(2.5e-3, 5e-3)
    primary_ohm = uniform(0.4, 0.9)
    supply = uniform(13.2, 14.4)
    turns = uniform(70.0, 100.0)
    secondary_H = primary_H * turns**2
    wanted_A = np.minimum(uniform(5.5, 8.0), np.sqrt(2 * 0.09 / primary_H))
    limited = rng.random(n) < 0.3
    charge = -primary_H / primary_ohm * np.log1p(-wanted_A * primary_ohm / supply)
    dwell = charge * np.where(limited, uniform(1.05, 1.4), 1.0)
    limit = np.where(limited, wanted_A, wanted_A + uniform(2.0, 4.0))
    primary_F = uniform(0.7e-9, 3e-9)
    tower_F = uniform(55e-12, 110e-12, n, 2)
    across_F = np.where(is_shared, tower_F.prod(axis=1) / tower_F.sum(axis=1), tower_F[:, 0])
    damping = uniform(0.05, 0.15)
    core_ohm = np.sqrt(secondary_H / across_F) / (2.0 * damping)

    end = rng.integers(0, 2, n) if power_end is None else np.asarray(power_end)
    power = np.zeros((n, 2), dtype=bool)
    power[np.arange(n), np.where(is_shared, end, 0)] = True
    sign = np.full(n, -1)
    gaps = typical_gaps(rng, power, positive=np.column_stack([sign > 0, sign < 0]))
    ones = np.ones((n, 2))
    return CircuitParameters(
        shared=is_shared, supply_V=supply,
        primary_inductance_H=primary_H, primary_resistance_ohm=primary_ohm,
        primary_capacitance_F=primary_F,
        secondary_inductance_H=secondary_H, secondary_resistance_ohm=secondary_H * uniform(200.0, 400.0),
        secondary_capacitance_F=tower_F, coupling=uniform(0.96, 0.99), core_loss_ohm=core_ohm,
        current_limit_A=limit, clamp_V=uniform(360.0, 440.0), reverse_block_V=uniform(18.0, 30.0),
        dwell_s=dwell, winding_sign=sign,
        series_ohm=uniform(5e3, 12e3, n, 2), shunt_ohm=np.inf * ones,
        # A floating secondary needs a path for its common charge: surfaces and corona (our choice).
        tower_leak_ohm=np.where(is_shared[:, None], uniform(15e6, 40e6, n, 2), np.inf),
        leak_breakdown_V=np.inf * ones, plug_capacitance_F=uniform(6e-12, 14e-12, n, 2),
        open_gap_V=0.0 * ones, stretch_limit_V=np.inf * ones, blow_out_s=np.inf * ones,
        hold_current_A=uniform(1.5e-3, 5e-3, n, 1) * uniform(0.9, 1.1, n, 2), soft_end=0.0 * ones,
        repeat_strikes=np.zeros(n, dtype=np.int64), repeat_burn_s=np.full(n, 1e-3),
        repeat_dwell_s=0.7 * charge, switch_on_ohm=uniform(0.05, 0.2),
        # The leakage ring of the primary dies away within some tens of microseconds (our choice).
        primary_damping_ohm=uniform(15e-6, 50e-6) / (2.0 * primary_F),
        column_inertia_s=uniform(10e-6, 30e-6, n, 2), **gaps,
    )


def typical_gaps(rng: np.random.Generator, power: NDArray, positive: NDArray) -> dict[str, NDArray]:
    """Draw normal plug gaps and the gas in them at the instant of ignition.

    Parameters
    ----------
    rng : numpy.random.Generator
    power : ndarray of bool, shape (n, 2)
        True under compression, False on the exhaust stroke.
    positive : ndarray of bool, shape (n, 2)
        True where the centre electrode is positive: it then needs 10-20 % more (common practice).

    Returns
    -------
    dict of str to ndarray, shape (n, 2)
        Fields of `CircuitParameters`, to be given to ``with_``: breakdown_V, rebreakdown_V,
        cathode_fall_V, gap_length_m, pressure_bar, stretch_m_per_s, flow_noise.
    """
    shape = power.shape
    pressure = np.where(power, rng.uniform(4.0, 10.0, shape), rng.uniform(1.0, 1.3, shape))
    temperature = np.where(power, rng.uniform(520.0, 680.0, shape), rng.uniform(600.0, 900.0, shape))
    length = rng.uniform(0.6e-3, 1.0e-3, shape)
    extra = np.where(positive, rng.uniform(1.1, 1.2, shape), 1.0)
    scatter = np.exp(0.06 * rng.standard_normal(shape))
    breakdown = required_voltage_V(pressure, temperature, length) * extra * scatter
    return {
        "breakdown_V": breakdown,
        "rebreakdown_V": breakdown * np.where(
            power, rng.uniform(0.5, 0.75, shape), rng.uniform(0.8, 0.95, shape)
        ),
        "cathode_fall_V": rng.uniform(280.0, 350.0, shape),
        "gap_length_m": length,
        "pressure_bar": pressure,
        "stretch_m_per_s": np.where(power, rng.uniform(0.3, 2.0, shape), rng.uniform(0.3, 1.5, shape)),
        "flow_noise": rng.uniform(0.03, 0.10, shape),
    }
