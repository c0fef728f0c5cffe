"""Write one ignition event as a netlist for the open circuit simulator ngspice."""

from __future__ import annotations

import numpy as np

from sigkit.errors import SimulationError
from sigkit.simulate.circuit_modes import (
    CLAMP_OHM,
    CLEAN_OHM,
    DIODE_BLOCKED_S,
    DIODE_F,
    DIODE_FORWARD_S,
    OPEN_SWITCH_OHM,
    SMALLEST_LINK_OHM,
)
from sigkit.simulate.circuit_parameters import CircuitParameters
from sigkit.simulate.event_run import RECOVERY_S, STEADY_A

#: Rest before the coil is switched on, duration of a switching edge, time constant of the latch that
#: stands for breakdown and extinction (our choices), seconds.
LEAD_IN_S, EDGE_S, LATCH_S = 10e-6, 5e-9, 5e-9

#: Before breakdown the column's conductance follows the winding current with this time constant, so that
#: it starts where `integrate_circuit` starts it (our choice), seconds.
TRACKING_S = 50e-9

#: Signals of the netlist by the names of `EventWaveforms`; ``gap_0`` and ``gap_1`` are 1 while a gap conducts.
NETLIST_SIGNALS = {
    "tower_0_V": "v(tower0)", "tower_1_V": "v(tower1)", "primary_voltage_V": "v(collector)",
    "coil_current_A": "i(vsense)", "gap_0": "v(latch0)", "gap_1": "v(latch1)",
}


def netlist_off_s(parameters: CircuitParameters, row: int) -> float:
    """Return the time of the first switching-off on the netlist's own clock (0 is its start)."""
    return float(LEAD_IN_S + parameters.dwell_s[row])


def write_netlist(
    parameters: CircuitParameters, row: int = 0, *, after_s: float = 4e-3, step_s: float = 0.25e-6
) -> str:
    """Return the netlist of one event.

    The coil is a pair of coupled inductors, the switch a behavioural current source that limits and
    clamps, each gap a latch (set by the breakdown voltage, reset below the holding current) that gates a
    conductance following the glow law. Times run from 0; see `netlist_off_s`.

    Parameters
    ----------
    parameters : CircuitParameters
    row : int
        Event wanted.
    after_s : float
        Time behind the last switching-off, seconds.
    step_s : float
        Largest step, seconds.

    Returns
    -------
    str

    Raises
    ------
    SimulationError
        When the event needs what the netlist has no element for: a broken lead, flashing insulation,
        blow-out, short-cuts, fluctuation or a soft end.

    Examples
    --------
    >>> from sigkit.simulate.typical_coils import typical_coils
    >>> coil = typical_coils(1, np.random.default_rng(1))
    >>> text = write_netlist(coil.with_(flow_noise=0 * coil.flow_noise))
    >>> "Kcoil Lprimary Lsecondary" in text
    True
    """
    p = parameters.take(np.array([row]))
    ends = 2 if p.shared[0] else 1
    for name, absent in (("open_gap_V", 0.0), ("leak_breakdown_V", np.inf), ("blow_out_s", np.inf),
                         ("stretch_limit_V", np.inf), ("flow_noise", 0.0), ("soft_end", 0.0)):
        if (getattr(p, name)[0, :ends] != absent).any():
            raise SimulationError(
                f"{name} of event {row} is {getattr(p, name)[0, :ends].tolist()}: the netlist has no element "
                f"for it. Set it to {absent} for this comparison."
            )

    def one(name: str) -> float:
        return float(getattr(p, name)[0])

    strikes = int(p.repeat_strikes[0])
    off_s = netlist_off_s(p, 0)
    points, cycle = [], one("repeat_burn_s") + one("repeat_dwell_s")
    for strike in range(strikes + 1):
        stop = off_s + strike * cycle
        start = stop - (one("dwell_s") if strike == 0 else one("repeat_dwell_s"))
        points += [f"{start:.12g} 0 {start + EDGE_S:.12g} 1", f"{stop:.12g} 1 {stop + EDGE_S:.12g} 0"]
    supply = one("supply_V")
    sign = int(p.winding_sign[0])
    limit, clamp, back = one("current_limit_A"), one("clamp_V"), one("reverse_block_V")
    lines = [
        "* sigkit ignition event",
        f"Vsupply battery 0 {supply:.12g}",
        f"Vgate gate 0 PWL(0 0 {' '.join(points)})",
        "Vsense battery feed 0",
        f"Rprimary feed winding {one('primary_resistance_ohm'):.12g}",
        f"Lprimary winding collector {one('primary_inductance_H'):.12g} IC=0",
        f"Cprimary collector 0 {one('primary_capacitance_F'):.12g} IC={supply:.12g}",
        f"Rblock collector 0 {OPEN_SWITCH_OHM:.12g}",
        f"Bswitch collector 0 I=v(gate)*min(v(collector)/{one('switch_on_ohm'):.12g},{limit:.12g})"
        f"+max(v(collector)-{clamp:.12g},0)/{CLAMP_OHM}+min(v(collector)+{back:.12g},0)/{CLAMP_OHM}",
        # A positive winding sign makes tower 0 rise when the collector does.
        *_secondary_lines(p),
        "Vwind coil2 tower1 0",
    ]
    if np.isfinite(p.primary_damping_ohm[0]):
        lines.append(f"Rdamping battery collector {one('primary_damping_ohm'):.12g}")
    if np.isfinite(p.core_loss_ohm[0]):
        lines.append(f"Rcore tower0 tower1 {one('core_loss_ohm'):.12g}")
    for end in range(ends):
        lines += _end_lines(p, end)
    if ends == 1:
        lines += ["Rlatch1 latch1 0 1"]
        if p.blocking_diode[0]:
            # Forwards the foot has the sign opposite to the firing's.
            lines += [
                f"Bdiode tower1 0 I={-sign}*v(tower1)>0 ? v(tower1)*{DIODE_FORWARD_S} : v(tower1)*{DIODE_BLOCKED_S}",
                f"Cdiode tower1 0 {DIODE_F} IC=0",
            ]
        else:
            lines += ["Rground tower1 0 1e-3"]
    stop_s = off_s + strikes * cycle + after_s
    lines += [
        ".save " + " ".join(NETLIST_SIGNALS.values()),
        ".options reltol=1e-4 abstol=1e-9 vntol=1e-4 itl4=200 method=gear",
        f".tran {step_s:.6g} {stop_s:.12g} 0 {step_s:.6g} uic",
        ".end",
    ]
    return "\n".join(lines) + "\n"


def _secondary_lines(p: CircuitParameters) -> list[str]:
    """Return the secondary between tower0 and coil2, of one piece or of two sections."""
    sign, ohm = int(p.winding_sign[0]), p.secondary_resistance_ohm[0]

    def turned(first: str, second: str) -> str:
        return f"{first} {second}" if sign > 0 else f"{second} {first}"

    if p.joint_capacitance_F[0] == 0:
        return [
            f"Lsecondary {turned('coil1', 'tower0')} {p.secondary_inductance_H[0]:.12g} IC=0",
            f"Kcoil Lprimary Lsecondary {p.coupling[0]:.12g}",
            f"Rsecondary coil1 coil2 {ohm:.12g}",
        ]
    near = p.section_share[0]
    return [
        f"Lnear {turned('coil1', 'tower0')} {p.secondary_inductance_H[0] * near**2:.12g} IC=0",
        f"Rnear joint coil1 {ohm * near:.12g}",
        f"Cjoint joint 0 {p.joint_capacitance_F[0]:.12g} IC=0",
        f"Lfar {turned('coil3', 'joint')} {p.secondary_inductance_H[0] * (1 - near) ** 2:.12g} IC=0",
        f"Rfar coil3 coil2 {ohm * (1 - near):.12g}",
        f"Knear Lprimary Lnear {p.coupling[0]:.12g}",
        f"Kfar Lprimary Lfar {p.coupling[0]:.12g}",
        f"Kboth Lnear Lfar {1 - p.section_leakage[0] * (1 - p.coupling[0] ** 2):.12g}",
    ]


def _end_lines(p: CircuitParameters, e: int) -> list[str]:
    """Return the elements of one end: capacitances, resistances, gap."""

    def of(name: str) -> float:
        return float(getattr(p, name)[0, e])

    fall, cold = of("cathode_fall_V"), min(of("breakdown_V"), 1e12)
    deficit = max(cold - of("rebreakdown_V"), 0.0)
    density = 40.46e3 * of("pressure_bar") ** 0.51
    fresh = density * of("gap_length_m") * 1e-4
    begin = f"pow(max(abs(i(vwind)),0.02),1.32)/{fresh:.12g}"
    across, current = f"abs(v(plug{e}))", f"abs(v(flow{e}))"
    length = f"({of('gap_length_m'):.12g}+{of('stretch_m_per_s'):.12g}*v(age{e})*1e-3)"
    target = f"pow(max({current},2e-4),1.32)/({density:.12g}*{length})*1e4"
    dropped, start = f"{fall:.12g}", f"{0.02**1.32 / fresh:.12g}"
    if of("column_ohm") > 0:
        # A column that keeps its fall: constant conductance over a drop that grows with the channel.
        start = target = begin = f"{1e4 / of('column_ohm'):.12g}"
        dropped = f"({fall:.12g}+{density * STEADY_A**-0.32:.12g}*{length})"
    threshold = f"({cold:.12g}-{deficit:.12g}*v(hot{e}))"
    lines = [
        f"Ctower{e} tower{e} 0 {of('secondary_capacitance_F'):.12g} IC=0",
        f"Rclean{e} tower{e} 0 {CLEAN_OHM:.12g}",
        f"Rseries{e} tower{e} plug{e} {max(of('series_ohm'), SMALLEST_LINK_OHM):.12g}",
        f"Cplug{e} plug{e} 0 {of('plug_capacitance_F'):.12g} IC=0",
        # Latch: 1 while the gap conducts. Flow: the gap current in A as a voltage. Column: 1e4 x conductance.
        f"Bset{e} 0 latch{e} I=(({across}>{threshold}) || (v(latch{e})>0.5 && "
        f"{current}>{of('hold_current_A'):.12g}) ? 1 : 0)",
        f"Rlatch{e} latch{e} 0 1",
        f"Clatch{e} latch{e} 0 {LATCH_S} IC=0",
        f"Bflow{e} flow{e} 0 V=v(latch{e})>0.5 ? v(column{e})*1e-4*sgn(v(plug{e}))"
        f"*max({across}-{dropped},0) : 0",
        f"Bgap{e} plug{e} 0 I=v(flow{e})",
        f"Bcolumn{e} 0 column{e} I=(v(latch{e})>0.5 ? ({target}-v(column{e}))/{of('column_inertia_s'):.12g} : "
        f"({begin}-v(column{e}))/{TRACKING_S})",
        f"Ccolumn{e} column{e} 0 1 IC={start}",
        # Age: milliseconds of conduction. Hot: 1 in a conducting gap, fading afterwards.
        f"Bage{e} 0 age{e} I=v(latch{e})>0.5 ? 1e3 : 0",
        f"Cage{e} age{e} 0 1 IC=0",
        f"Bhot{e} 0 hot{e} I=v(latch{e})>0.5 ? (1-v(hot{e}))/{LATCH_S} : -v(hot{e})/{RECOVERY_S}",
        f"Chot{e} hot{e} 0 1 IC=0",
    ]
    for name, value in (("Rleak", of("tower_leak_ohm")), ("Rshunt", of("shunt_ohm"))):
        if np.isfinite(value):
            node = "tower" if name == "Rleak" else "plug"
            lines.append(f"{name}{e} {node}{e} 0 {value:.12g}")
    return lines
