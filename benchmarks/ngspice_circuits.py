"""Ignition circuits of other structure than the simulator's usual one, written for ngspice.

What differs: coils whose secondary ends at the supply, in a blocking diode, in two coupled sections with their own
capacitance, or behind a rotor gap; a gap whose voltage is a fall that grows with time plus a constant resistance
instead of the glow law; ends that are sharp or fade. All ranges are our choice about common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

TOPOLOGIES = ("common_supply", "blocking_diode", "two_sections", "rotor_gap")
#: What a table of results on these circuits must say.
TAUGHT_WORDS = (
    "Nothing was taught on such circuits; but a third of the engines that the built-in detector and locator learnt "
    "from have rotor gaps, blocking diodes, two sections, columns that keep their fall, ends that fade, or other rings "
    "and arcs than the usual, by the simulator's own laws."
)
#: Rest before the coil is switched on and time solved behind the switching-off, seconds.
LEAD_IN_S, AFTER_S = 20e-6, 5e-3
#: Re-ignitions shorter than this behind the discharge do not move its end (the simulator's rule), seconds.
SHORT_S = 20e-6
_EDGE_S = 20e-9


@dataclass(frozen=True)
class Coil:
    """One coil with its lead; SI units."""

    topology: str
    soft_s: float  # time constant with which the conductance fades; 0 for a sharp end
    supply: float
    primary_H: float
    primary_ohm: float
    ratio: float
    coupling: float
    secondary_ohm: float
    tower_F: float
    core_ohm: float
    series_ohm: float
    clamp: float
    dwell_s: float
    hold_A: float


@dataclass(frozen=True)
class Gap:
    """One firing's gap; SI units."""

    breakdown: float
    hot_share: float
    fall: float
    growth_per_s: float
    ohm: float
    rotor: float


def draw_coil(topology: str, rng: np.random.Generator) -> Coil:
    """Draw a coil."""
    primary_H = rng.uniform(1.5e-3, 6e-3)
    supply, primary_ohm, ratio = rng.uniform(12.0, 14.5), rng.uniform(0.3, 1.5), rng.uniform(60.0, 120.0)
    wanted_A = min(rng.uniform(4.0, 8.0), 0.8 * supply / primary_ohm, np.sqrt(0.14 / primary_H))
    tower_F = rng.uniform(40e-12, 130e-12)
    damping = rng.uniform(0.04, 0.2)
    return Coil(
        topology, rng.uniform(15e-6, 60e-6) if rng.random() < 0.3 else 0.0, supply, primary_H, primary_ohm, ratio,
        rng.uniform(0.93, 0.985), rng.uniform(3e3, 14e3), tower_F,
        float(np.sqrt(primary_H * ratio**2 / tower_F) / (2 * damping)), rng.uniform(1e3, 15e3),
        rng.uniform(330.0, 450.0),
        float(-primary_H / primary_ohm * np.log1p(-wanted_A * primary_ohm / supply)), rng.uniform(1e-3, 7e-3),
    )  # fmt: skip


def draw_gap(coil: Coil, rng: np.random.Generator) -> Gap:
    """Draw the gap of one firing."""
    able = 0.7 * min(coil.ratio * coil.clamp, coil.dwell_s * coil.supply * np.sqrt(1 / (coil.primary_H * coil.tower_F)))
    return Gap(
        min(rng.uniform(3e3, 16e3), able), rng.uniform(0.6, 0.95), rng.uniform(350.0, 900.0),
        rng.uniform(-0.5e5, 4e5), rng.uniform(1e3, 8e3),
        rng.uniform(1.5e3, 4e3) if coil.topology == "rotor_gap" else 0.0,
    )  # fmt: skip


def write_circuit(coil: Coil, gap: Gap, step_s: float = 1e-6) -> str:
    """Return the netlist of one firing; its tower swings down when it fires."""
    on, off = LEAD_IN_S, LEAD_IN_S + coil.dwell_s
    secondary_H = coil.primary_H * coil.ratio**2
    c, g = coil, gap
    lines = [
        f"* ignition firing, {c.topology}",
        f"Vsupply battery 0 {c.supply:.9g}",
        f"Vgate gate 0 PWL(0 0 {on:.12g} 0 {on + _EDGE_S:.12g} 1 {off:.12g} 1 {off + _EDGE_S:.12g} 0)",
        f"Rprimary battery winding {c.primary_ohm:.9g}",
        f"Lprimary winding collector {c.primary_H:.9g} IC=0",
        f"Cprimary collector 0 1.5n IC={c.supply:.9g}",
        f"Rsnub battery collector {2.5e-5 / 3e-9:.9g}",
        f"Bswitch collector 0 I=v(gate)*v(collector)/0.15+max(v(collector)-{c.clamp:.9g},0)/0.05"
        "+min(v(collector)+20,0)/0.05",
    ]
    foot = {"common_supply": "battery", "blocking_diode": "cathode"}.get(c.topology, "0")
    if c.topology == "two_sections":
        # Sections of unequal turns, loosely coupled, with a capacitance at their joint.
        share = 0.45
        lines += [
            f"Llow tower joint {secondary_H * share**2:.9g} IC=0",
            f"Lhigh joint bottom {secondary_H * (1 - share) ** 2:.9g} IC=0",
            f"Klow Lprimary Llow {c.coupling:.9g}", f"Khigh Lprimary Lhigh {c.coupling - 0.01:.9g}",
            f"Kboth Llow Lhigh {0.5 * (1 + c.coupling**2):.9g}", f"Cjoint joint 0 {0.4 * c.tower_F:.9g} IC=0",
        ]  # fmt: skip
    else:
        lines += [f"Lsecondary tower bottom {secondary_H:.9g} IC=0", f"Kcoil Lprimary Lsecondary {c.coupling:.9g}"]
    lines += [f"Rsecondary bottom {foot} {c.secondary_ohm:.9g}"]
    if c.topology == "blocking_diode":
        # The firing current leaves the winding's foot to ground; the other direction is blocked.
        lines += ["Bdiode cathode 0 I=v(cathode)>0 ? v(cathode)/20 : v(cathode)*1e-8", "Cdiode cathode 0 5p IC=0"]
    start = c.supply if c.topology == "common_supply" else 0.0
    lines += [f"Rcore tower bottom {c.core_ohm:.9g}", f"Ctower tower 0 {c.tower_F:.9g} IC={start:.9g}",
              # A diode leaves the charge on the lead to leakage.
              f"Rtower tower 0 {'10meg' if c.topology == 'blocking_diode' else '1g'}"]  # fmt: skip
    far = "tower"
    if c.topology == "rotor_gap":
        far = "rotor"
        lines += [f"Crotor rotor 0 15p IC={start:.9g}", "Rrotor rotor 0 1g"]
        lines += _gap("r", "tower", "rotor", g.rotor, 0.95, 60.0, 0.0, 300.0, 1e-4, 0.0)
    lines += [f"Rseries {far} plug {c.series_ohm:.9g}", f"Cplug plug 0 10p IC={start:.9g}"]
    lines += _gap("p", "plug", "0", g.breakdown, g.hot_share, g.fall, g.growth_per_s, g.ohm, c.hold_A, c.soft_s)
    lines += [
        ".save v(tower) v(flowp)",
        ".options reltol=1e-4 abstol=1e-9 vntol=1e-4 itl4=200 method=gear",
        f".tran {step_s:.6g} {off + AFTER_S:.12g} 0 {step_s:.6g} uic",
        ".end",
    ]
    return "\n".join(lines) + "\n"


def _gap(
    n: str, a: str, b: str, breakdown: float, hot: float, fall: float, growth: float, ohm: float, hold: float,
    soft_s: float,
) -> list[str]:  # fmt: skip
    """Return a gap: a latch, a conductance that follows it, and a voltage that grows with the age of the spark."""
    across = f"v({a})" if b == "0" else f"(v({a})-v({b}))"
    fade = soft_s if soft_s > 0 else 2e-8
    return [
        f"Bset{n} 0 latch{n} I=((abs({across})>{breakdown:.9g}*(1-{1 - hot:.6g}*v(hot{n}))) || "
        f"(v(latch{n})>0.5 && abs(v(flow{n}))>{hold:.9g}) ? 1 : 0)",
        f"Rlatch{n} latch{n} 0 1", f"Clatch{n} latch{n} 0 10n IC=0",
        f"Bway{n} 0 way{n} I=v(latch{n})>0.5 ? (1-v(way{n}))/2e-8 : -v(way{n})/{fade:.6g}",
        f"Cway{n} way{n} 0 1 IC=0",
        f"Bflow{n} flow{n} 0 V=v(way{n})*sgn({across})*max(abs({across})-({fall:.9g}+{growth * 1e-3:.9g}*v(age{n})),0)"
        f"/{ohm:.9g}",
        f"Bgap{n} {a} {b} I=v(flow{n})",
        f"Bage{n} 0 age{n} I=v(latch{n})>0.5 ? 1e3 : 0", f"Cage{n} age{n} 0 1 IC=0",
        f"Bhot{n} 0 hot{n} I=v(latch{n})>0.5 ? (1-v(hot{n}))/2e-8 : -v(hot{n})/3e-4", f"Chot{n} hot{n} 0 1 IC=0",
    ]  # fmt: skip


def instants(time_s: NDArray, current_A: NDArray, least_A: float) -> tuple[float, float]:
    """Return breakdown and end of the burn from the gap's own current; NaN where it never conducts.

    The gap conducts while its current is above ``least_A``. The end of the burn is where it falls to the holding
    current, in these circuits as in the simulator; a conductance that fades still carries current behind it.

    Examples
    --------
    >>> t = np.arange(10) * 1e-4
    >>> begin, end = instants(t, np.array([0, 0, 1, 1, 1, 0, 0, 0, 0, 0.0]), 1.0)
    >>> round(begin * 1e4, 2), round(end * 1e4, 2)
    (1.5, 4.5)
    """
    above = np.abs(current_A) - least_A
    on = above > 0
    change = np.flatnonzero(on[1:] != on[:-1])
    at = time_s[change] + above[change] / (above[change] - above[change + 1]) * (time_s[change + 1] - time_s[change])
    if on[0] or at.size < 2:
        return np.nan, np.nan
    starts, stops = at[0::2], at[1::2]
    starts = starts[: stops.size]
    long = np.flatnonzero(stops - starts >= SHORT_S)
    last = int(long[-1]) if long.size else 0
    return float(starts[0]), float(stops[last])
