"""An engine running: which coil fires when, and the physical state of every firing."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sigkit.simulate.circuit_parameters import CircuitParameters
from sigkit.simulate.conditions import GAS_CONDITIONS
from sigkit.simulate.engine import Engine
from sigkit.simulate.event_drivers import EventDrivers, coil_energy_J


@dataclass(frozen=True, eq=False)
class EngineRun:
    """Events of a running engine, in time order. Arrays have shape (n,).

    Attributes
    ----------
    engine : Engine
    off_s : ndarray of float
        First switching-off of each event, seconds of engine time.
    coil : ndarray of int
    power_end : ndarray of int
        End of the secondary whose cylinder is on its compression stroke.
    skipped : ndarray of bool
        True for a missing firing: the coil is never switched on.
    speed_rpm : ndarray of float
    load : float
        Share of full load.
    """

    engine: Engine
    off_s: NDArray[np.float64]
    coil: NDArray[np.int64]
    power_end: NDArray[np.int64]
    skipped: NDArray[np.bool_]
    speed_rpm: NDArray[np.float64]
    load: float

    def __len__(self) -> int:
        return int(self.off_s.shape[0])

    @property
    def coil_period_s(self) -> NDArray[np.float64]:
        """Time between two firings of one coil: one turn on a shared coil, else two."""
        return (1.0 if self.engine.shared else 2.0) * 60.0 / self.speed_rpm

    def take(self, rows: NDArray) -> EngineRun:
        """Return the events with the given row numbers."""
        return EngineRun(self.engine, self.off_s[rows], self.coil[rows], self.power_end[rows],
                         self.skipped[rows], self.speed_rpm[rows], self.load)


def run_engine(
    engine: Engine, rng: np.random.Generator, *, speed_rpm: float, load: float, cycles: int
) -> EngineRun:
    """Let an engine run for some working cycles.

    Speed scatters from firing to firing and drifts slowly by up to 1 % (our choice).

    Parameters
    ----------
    engine : Engine
    rng : numpy.random.Generator
    speed_rpm, load : float
        Mean crankshaft speed and share of full load.
    cycles : int
        Working cycles of two turns each.

    Returns
    -------
    EngineRun
        ``cycles * cylinders`` events; the first switching-off is at 0 s.
    """
    order = engine.firing_order
    count = cycles * len(order)
    turns = np.arange(count) * 2.0 / len(order)
    phase = 2 * np.pi * (turns / rng.uniform(20, 200) + rng.random())
    drift = 0.01 * rng.uniform(-1, 1) * np.sin(phase)
    speed = speed_rpm * (1.0 + drift + engine.speed_scatter * rng.standard_normal(count))
    interval = 120.0 / (len(order) * speed)
    places = np.array([engine.place_of(int(number)) for number in order])
    coil = np.tile(places[:, 0], cycles)
    return EngineRun(
        engine=engine,
        off_s=np.cumsum(interval) - interval[0],
        coil=coil,
        power_end=np.tile(places[:, 1], cycles),
        skipped=rng.random(count) < engine.missing_rate[coil],
        speed_rpm=speed,
        load=load,
    )


def event_drivers(run: EngineRun, rng: np.random.Generator) -> EventDrivers:
    """Return the physical state of every event of a run, without any condition.

    Pressure at the spark: intake pressure 0.28 to 1 bar with load, compressed by a polytrope of exponent
    1.3 over 55 to 85 % of the compression ratio (early at light load; our choice). Exhaust stroke: 1 to
    1.2 bar at 650 to 1000 K. A positive centre electrode asks for 10 to 20 % more (common practice).

    Parameters
    ----------
    run : EngineRun
    rng : numpy.random.Generator

    Returns
    -------
    EventDrivers
    """
    engine, n, coil = run.engine, len(run), run.coil
    shape = (n, 2)
    lead = {name: values[coil] for name, values in engine.lead.items()}
    own = {name: values[coil] for name, values in engine.coil.items()}
    sign = np.where(engine.reversed_polarity[coil], 1, -1)
    compression = np.arange(2) == run.power_end[:, None]
    if not engine.shared:
        compression[:] = True

    load = np.clip(run.load * (1.0 + 0.03 * rng.standard_normal(n)), 0.0, 1.0)
    reach = 1.0 + (engine.compression_ratio - 1.0) * (0.55 + 0.3 * load)
    charge_bar = (0.28 + 0.72 * load) * reach**1.3 * np.exp(0.03 * rng.standard_normal(n))
    charge_K = 340.0 * reach**0.3
    exhaust_bar = 1.0 + 0.2 * load
    exhaust_K = 650.0 + 350.0 * load
    pressure = np.where(compression, charge_bar[:, None], exhaust_bar[:, None])
    temperature = np.where(compression, charge_K[:, None], exhaust_K[:, None])
    positive = sign[:, None] * np.array([1, -1]) > 0

    supply = (13.8 + 0.3 * rng.standard_normal()) + 0.05 * rng.standard_normal(n)
    resistance = own["primary_resistance_ohm"] + own["switch_on_ohm"]
    wanted = np.minimum(own["wanted_current_A"], 0.85 * supply / resistance)
    dwell = -own["primary_inductance_H"] / resistance * np.log1p(-wanted * resistance / supply)
    dwell = np.minimum(dwell * own["dwell_margin"], 0.4 * run.coil_period_s)
    strikes = np.where(run.speed_rpm < 1500.0, own["repeat_strikes"], 0)
    flow = lead["flow_m_per_s"] * (0.5 + run.speed_rpm[:, None] / 3000.0)

    parameters = CircuitParameters(
        shared=np.full(n, engine.shared),
        supply_V=supply,
        primary_inductance_H=own["primary_inductance_H"],
        primary_resistance_ohm=own["primary_resistance_ohm"],
        primary_capacitance_F=own["primary_capacitance_F"],
        primary_damping_ohm=own["primary_damping_ohm"],
        secondary_inductance_H=own["secondary_inductance_H"],
        secondary_resistance_ohm=own["secondary_resistance_ohm"],
        secondary_capacitance_F=lead["secondary_capacitance_F"],
        coupling=own["coupling"],
        core_loss_ohm=own["core_loss_ohm"],
        current_limit_A=own["current_limit_A"],
        clamp_V=own["clamp_V"],
        reverse_block_V=own["reverse_block_V"],
        dwell_s=dwell,
        winding_sign=sign,
        series_ohm=lead["series_ohm"],
        shunt_ohm=np.full(shape, np.inf),
        tower_leak_ohm=lead["tower_leak_ohm"],
        leak_breakdown_V=np.full(shape, np.inf),
        plug_capacitance_F=lead["plug_capacitance_F"],
        open_gap_V=lead["rotor_gap_V"] + np.zeros(shape),
        breakdown_V=np.full(shape, 1e4),
        cathode_fall_V=lead["cathode_fall_V"] * np.exp(0.02 * rng.standard_normal(shape)),
        gap_length_m=lead["gap_length_m"],
        pressure_bar=pressure,
        stretch_m_per_s=flow,
        stretch_limit_V=lead["stretch_limit_V"] * np.exp(0.1 * rng.standard_normal(shape)),
        flow_noise=lead["flow_noise"],
        blow_out_s=np.full(shape, np.inf),
        rebreakdown_V=np.full(shape, 1e4),
        hold_current_A=lead["hold_current_A"] * np.exp(0.1 * rng.standard_normal(shape)),
        soft_end=lead["soft_end"],
        fall_stays=lead["fall_stays"],
        column_ohm=lead["column_ohm"],
        blocking_diode=own["blocking_diode"],
        joint_capacitance_F=own["joint_capacitance_F"],
        section_share=own["section_share"],
        section_leakage=own["section_leakage"],
        repeat_strikes=strikes,
        repeat_burn_s=rng.uniform(0.5e-3, 0.9e-3, n),
        repeat_dwell_s=0.5 * dwell,
        switch_on_ohm=own["switch_on_ohm"],
        column_inertia_s=lead["column_inertia_s"],
    )
    drivers = EventDrivers(
        parameters=parameters,
        nominal_gap_m=lead["nominal_gap_m"],
        nominal_core_loss_ohm=own["core_loss_ohm"][:, None] * np.ones((1, 2)),
        nominal_series_ohm=lead["series_ohm"],
        nominal_energy_J=np.ones(n),
        temperature_K=temperature,
        density_ratio=np.ones(shape),
        excess_air=np.ones(shape),
        plug_factor=engine.plug_factor * lead["plug_gain"],
        rebreakdown_ratio=np.where(compression, lead["rebreakdown_ratio"], 0.87)
        * np.exp(0.05 * rng.standard_normal(shape)),
        polarity_factor=np.where(positive, lead["polarity_gain"], 1.0),
        breakdown_scatter=lead["breakdown_scatter"],
        breakdown_draw=rng.standard_normal(shape),
        flow_m_per_s=flow * np.exp(0.25 * rng.standard_normal(shape)),
        flow_noise=lead["flow_noise"],
        leak_strength_V=np.full(shape, np.inf),
        leak_draw=rng.standard_normal(shape),
        blow_out_draw=rng.random(shape),
        blow_out_at_s=rng.uniform(0.1e-3, 1.2e-3, shape),
        compression=compression,
    )
    return drivers.with_(nominal_energy_J=coil_energy_J(drivers))


def event_severity(run: EngineRun, drivers: EventDrivers) -> dict[str, NDArray[np.float64]]:
    """Return the severity of each condition at each end of each event, shape (n, 2).

    Conditions of the charge do not act on the exhaust stroke, and nothing acts at a grounded end.
    """
    result = {}
    for name, values in run.engine.severity.items():
        own = values[run.coil].copy()
        if name in GAS_CONDITIONS:
            own = np.where(drivers.compression, own, 0.0)
        result[name] = own
    return result
