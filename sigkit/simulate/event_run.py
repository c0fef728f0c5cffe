"""Where each event of a batch stands while it is integrated: circuit state, switch, gaps, clock."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sigkit.simulate.circuit_modes import (
    BLOCKED,
    CLAMPED,
    DIODE_TURNS_V,
    LIMITING,
    OFF,
    ON,
    OPEN_LINK_OHM,
    REVERSE,
    SMALLEST_LINK_OHM,
    CircuitModes,
    section_inductances,
)
from sigkit.simulate.circuit_parameters import CircuitParameters
from sigkit.simulate.knot_store import KnotStore

#: A gap that has conducted regains its cold breakdown voltage with this time constant (our choice; hot
#: gas is swept out or cools within about a millisecond), seconds.
RECOVERY_S = 0.3e-3

#: A discharge over the insulation: cathode fall, length, pressure, holding current and path resistance
#: (our choice: a few millimetres of surface in air at 1 bar).
TRACK_FALL_V, TRACK_LENGTH_M, TRACK_PRESSURE_BAR, TRACK_HOLD_A, TRACK_OHM = 300.0, 5e-3, 1.0, 2e-3, 500.0

#: Drop over the arc in a broken lead or plug (our choice; a short arc in air), V, and the current below
#: which it opens again, A.
OPEN_ARC_V, OPEN_HOLD_A = 60.0, 1e-3

#: Grid and correlation time of the slow fluctuation of the channel length (our choice), seconds.
NOISE_STEP_S, NOISE_CORRELATION_S = 20e-6, 80e-6

#: A column that keeps its fall drops what the glow law gives at this current (our choice), A.
STEADY_A = 30e-3

GAP, TRACK = 0, 1

#: Weight of the switch voltage, by mode, in the two functions of `EventRun.primary_limits`.
_WATCH_V = np.array([0.0, 0.0, 1.0, -1.0, 1.0])
_BACK_V = np.array([0.0, 0.0, -1.0, 0.0, 0.0])
#: A gap or track that a capacitive discharge re-ignites without pause gives up after this many conduction
#: intervals (our choice; a coil's energy lasts for fewer).
MOST_INTERVALS = 40


class EventRun:
    """State of n events under way. Arrays have shape (n, ...), the two ends in the last axis."""

    def __init__(
        self, parameters: CircuitParameters, rng: np.random.Generator, before_s: float, after_s: float
    ) -> None:
        p = self.p = parameters
        n = self.n = len(p)
        most = int(p.repeat_strikes.max(initial=0))
        strikes = np.arange(most + 1)
        cycle = (p.repeat_burn_s + p.repeat_dwell_s)[:, None]
        self.off_s = np.where(strikes <= p.repeat_strikes[:, None], strikes * cycle, np.nan)
        charge = np.where(strikes == 0, p.dwell_s[:, None], p.repeat_dwell_s[:, None])
        self.on_s = self.off_s - charge
        self.end_s = np.nanmax(self.off_s, axis=1) + after_s
        self.clock = np.full((n, 2 * most + 4), np.inf)
        self.clock[:, 0 : 2 * most + 2 : 2] = np.where(np.isnan(self.on_s), np.inf, self.on_s)
        self.clock[:, 1 : 2 * most + 2 : 2] = np.where(np.isnan(self.off_s), np.inf, self.off_s)
        self.clock[np.arange(n), 2 * p.repeat_strikes + 2] = self.end_s
        self.tick = np.zeros(n, dtype=np.int64)
        self.t = -p.dwell_s - before_s
        self.sections = p.joint_capacitance_F > 0
        divided = bool(self.sections.any())
        # What `CircuitModes` without plugs has of the states with plugs.
        self.coil_states = np.array([0, 1, 2, 3, 4, *((7, 8) if divided else ())])
        self.state = np.zeros((n, 9 if divided else 7))
        self.state[:, 2] = p.supply_V
        self.mode = np.full(n, OFF)
        self.blocked = np.zeros(n, dtype=bool)  # the diode in the secondary
        self.strike = np.full(n, -1)
        self.done = np.zeros(n, dtype=bool)
        self.fresh = np.ones(n, dtype=bool)
        self.since = self.t.copy()  # last kink
        self.switched = np.full(n, -np.inf)  # last switching-off
        self.open_gap = p.open_gap_V > 0
        ohm = np.maximum(p.series_ohm, SMALLEST_LINK_OHM)
        self.series_ohm = ohm
        self.link_ohm = np.where(self.open_gap, OPEN_LINK_OHM, ohm)
        self.link_ohm[~p.shared, 1] = OPEN_LINK_OHM
        self.bridged = ~self.open_gap
        self.linear = CircuitModes(p, self.link_ohm, plugs=True)
        self.burning = CircuitModes(p, self.link_ohm, plugs=False)
        self.breakdown_V = np.where(np.isfinite(p.breakdown_V), p.breakdown_V, np.inf)
        self.leak_V = p.leak_breakdown_V.astype(float).copy()
        for limit in (self.breakdown_V, self.leak_V):
            limit[~p.shared, 1] = np.inf
        self.conducting = np.zeros((n, 2), dtype=bool)
        self.fading = np.zeros((n, 2), dtype=bool)
        self.path = np.zeros((n, 2), dtype=np.int64)
        self.sign = np.ones((n, 2))
        self.gap_V = np.zeros((n, 2))
        self.gap_S = np.zeros((n, 2))
        self.spark_fall_V = p.cathode_fall_V.astype(float)  # what the present path drops beside its conductance
        self.draw_A = np.zeros((n, 2))
        self.gap_A = np.zeros((n, 2))
        self.start_V = np.zeros((n, 2))  # gap voltage at the beginning of the next step, for its energy
        self.energy_J = np.zeros((n, 2))
        self.began_s = np.full((n, 2), np.nan)
        self.stretched_from_s = np.zeros((n, 2))
        self.quenched_s = np.zeros((n, 2))
        self.extinctions = np.zeros((n, 2), dtype=np.int64)
        self.deficit_V = np.zeros((n, 2))  # of the breakdown voltage just after the last extinction
        self.blown = ~np.isfinite(p.blow_out_s)
        self.short_cuts = np.zeros((n, 2), dtype=np.int64)
        self.intervals: list[tuple[NDArray, ...]] = []
        self.knots = KnotStore()
        inductance = p.coupling * np.sqrt(p.primary_inductance_H * p.secondary_inductance_H) * p.winding_sign
        self.mutual_H = inductance
        self.determinant = p.primary_inductance_H * p.secondary_inductance_H - inductance**2
        self.per_henry = np.linalg.inv(section_inductances(p))[:, 0] if divided else np.zeros((n, 3))
        zero = np.zeros(n)
        self.watch = np.stack([-p.current_limit_A, zero - 1, -p.clamp_V, p.clamp_V, p.reverse_block_V])
        self.back = np.stack([zero - 1, zero - 1, -p.reverse_block_V, zero - 1, zero - 1])
        self.noise = self._fluctuation(rng)

    def _fluctuation(self, rng: np.random.Generator) -> NDArray:
        """Draw unit-variance first-order noise on a grid from switching-off on, shape (n, 2, k)."""
        count = int(np.ceil(self.end_s.max() / NOISE_STEP_S)) + 2
        noise = rng.standard_normal((self.n, 2, count))
        keep = np.exp(-NOISE_STEP_S / NOISE_CORRELATION_S)
        fresh = np.sqrt(1.0 - keep * keep)
        for k in range(1, count):
            noise[:, :, k] = keep * noise[:, :, k - 1] + fresh * noise[:, :, k]
        return noise * self.p.flow_noise[:, :, None]

    def kind(self, rows: NDArray) -> NDArray:
        """Return what `CircuitModes` calls the present kind of circuit."""
        return self.mode[rows] + BLOCKED * self.blocked[rows]

    def diode_limit(self, rows: NDArray, foot_V: NDArray) -> NDArray:
        """Return a function that becomes positive when the diode turns over; events in the first axis."""
        more = (slice(None),) + (None,) * (foot_V.ndim - 1)
        # Forwards the foot of the secondary has the sign opposite to the firing's.
        turning = np.where(self.blocked[rows], -1.0, 1.0) * self.p.winding_sign[rows]
        return np.where(self.p.blocking_diode[rows][more], turning[more] * foot_V - DIODE_TURNS_V, -1.0)

    def turn_diode(self, rows: NDArray) -> None:
        """Let the diode of some events block, or conduct again."""
        self.blocked[rows] = ~self.blocked[rows]
        self.kink(rows)

    def next_tick_s(self, rows: NDArray) -> NDArray:
        """Return the next switching (or the end) of some events."""
        return self.clock[rows, self.tick[rows]]

    def pass_tick(self, rows: NDArray) -> None:
        """Switch what is due at the present instant of some events."""
        last = self.tick[rows] == 2 * self.p.repeat_strikes[rows] + 2
        over, rows = rows[last], rows[~last]
        self.done[over] = True
        on, off = rows[self.tick[rows] % 2 == 0], rows[self.tick[rows] % 2 == 1]
        self.mode[on] = ON
        self.mode[off] = OFF
        self.strike[off] += 1
        self.switched[off] = self.t[off]
        self.tick[rows] += 1
        self.kink(rows)

    def kink(self, rows: NDArray) -> None:
        """Note that something changed at the present instant: steps start small again."""
        self.since[rows] = self.t[rows]
        self.fresh[rows] = True

    def primary_limits(self, rows: NDArray, current: NDArray, voltage: NDArray) -> tuple[NDArray, NDArray]:
        """Return two functions that become positive when the switch changes what it does.

        ``current`` and ``voltage`` have the events in the first axis.
        """
        more = (slice(None),) + (None,) * (current.ndim - 1)
        mode = self.mode[rows]
        first = _WATCH_V[mode][more] * voltage + self.watch[mode, rows][more]
        on = np.flatnonzero(mode == ON)
        first[on] += current[on]
        return first, _BACK_V[mode][more] * voltage + self.back[mode, rows][more]

    def change_primary(self, rows: NDArray, second: NDArray) -> None:
        """Change the mode after a function of `primary_limits` became positive (``second``: which one)."""
        mode = self.mode[rows]
        self.mode[rows] = np.select(
            [mode == ON, (mode == OFF) & ~second, mode == OFF], [LIMITING, CLAMPED, REVERSE], OFF
        )
        self.kink(rows)

    def threshold_V(self, rows: NDArray, times_s: NDArray) -> NDArray:
        """Return the breakdown voltage of both gaps now, shape (r, 2, ...) for times (r, ...)."""
        more = (slice(None), slice(None)) + (None,) * (times_s.ndim - 1)
        cold, deficit = self.breakdown_V[rows], self.deficit_V[rows]
        hot = np.flatnonzero(deficit.any(axis=1))
        if hot.size == 0:
            return cold[more]
        threshold = np.empty((rows.size, 2, *times_s.shape[1:]))
        threshold[:] = cold[more]
        age = times_s[hot][:, None] - self.quenched_s[rows[hot]][more]
        threshold[hot] -= deficit[hot][more] * np.exp(-np.maximum(age, 0.0) / RECOVERY_S)
        return threshold

    def ignite(self, rows: NDArray, end: int, path: int) -> None:
        """Start conduction at one end of some events, at their present instant."""
        if rows.size == 0:
            return
        p = self.p
        tower = self.state[rows, 3 + end]
        before = self.gap_V[rows, end] if path == GAP else tower
        self.sign[rows, end] = np.where(before < 0, -1.0, 1.0)
        self.path[rows, end] = path
        self.conducting[rows, end] = True
        self.fading[rows, end] = False
        self.began_s[rows, end] = self.t[rows]
        self.stretched_from_s[rows, end] = self.t[rows]
        current = np.maximum(np.abs(self.state[rows, 1]), 20e-3)
        column = self.column(rows, end, self.t[rows])
        steady = (p.column_ohm[rows, end] > 0) & (path == GAP)
        electrodes = np.where(path == TRACK, TRACK_FALL_V, p.cathode_fall_V[rows, end])
        self.spark_fall_V[rows, end] = electrodes + np.where(steady, column * STEADY_A**-0.32, 0.0)
        with np.errstate(divide="ignore"):
            self.gap_S[rows, end] = np.where(steady, 1.0 / p.column_ohm[rows, end], current**1.32 / column)
        fall_V = self.spark_fall_V[rows, end]
        after = self.sign[rows, end] * (fall_V + current / self.gap_S[rows, end])
        after = np.where(np.abs(after) < np.abs(before), after, before)
        capacitance = p.plug_capacitance_F[rows, end] if path == GAP else 0.0
        self.energy_J[rows, end] += 0.5 * capacitance * (before**2 - after**2)
        self.gap_V[rows, end] = after
        arc = np.where(self.open_gap[rows, end] & (path == GAP), OPEN_ARC_V, 0.0) * self.sign[rows, end]
        ohm = self.link_ohm[rows, end] if path == GAP else TRACK_OHM
        fall = self.sign[rows, end] * fall_V
        self.draw_A[rows, end] = (tower - fall - arc) / (ohm + 1.0 / self.gap_S[rows, end])
        self.gap_A[rows, end] = self.draw_A[rows, end]
        self.start_V[rows, end] = fall + self.draw_A[rows, end] / self.gap_S[rows, end]
        self.kink(rows)

    def extinguish(self, rows: NDArray, end: int, soft: bool) -> None:
        """End conduction at one end of some events, at their present instant."""
        if rows.size == 0:
            return
        self.conducting[rows, end] = False
        self.quenched_s[rows, end] = self.t[rows]
        self.extinctions[rows, end] += 1
        spent = rows[self.extinctions[rows, end] >= MOST_INTERVALS]
        self.breakdown_V[spent, end] = self.leak_V[spent, end] = np.inf
        cold = self.breakdown_V[rows, end]
        cold = np.where(np.isfinite(cold), cold, 0.0)  # a gap that never breaks down has no deficit
        self.deficit_V[rows, end] = cold - np.minimum(self.p.rebreakdown_V[rows, end], cold)
        began = self.began_s[rows, end]
        self.intervals.append((rows.copy(), np.full(rows.size, end), self.strike_at(rows, began),
                               self.path[rows, end], began, self.t[rows]))
        softness = self.p.soft_end[rows, end] * (self.path[rows, end] == GAP) * soft
        gap = np.maximum(np.abs(self.gap_V[rows, end]), 1.0)
        current = self.gap_S[rows, end] * np.maximum(gap - self.spark_fall_V[rows, end], 0.0)
        # Either the whole conductance fades, or what conducts over a cathode fall that stays.
        stays = self.p.fall_stays[rows, end] & (softness > 0)
        self.gap_S[rows, end] = np.where(stays, self.gap_S[rows, end], softness * current / gap)
        self.fading[rows, end] = softness > 0
        loose = rows[self.open_gap[rows, end]]
        self.bridge(loose, end, False)
        tracked = rows[self.path[rows, end] == TRACK]
        self.gap_V[tracked, end] = self.state[tracked, 3 + end]
        self.draw_A[rows, end] = np.where(softness > 0, self.draw_A[rows, end], 0.0)
        self.gap_A[rows, end] = 0.0
        self.kink(rows)

    def bridge(self, rows: NDArray, end: int, closed: bool) -> None:
        """Close or open the broken lead at one end of some events."""
        if rows.size == 0:
            return
        self.bridged[rows, end] = closed
        self.link_ohm[rows, end] = self.series_ohm[rows, end] if closed else OPEN_LINK_OHM
        self.linear.forget(rows)
        self.kink(rows)

    def strike_at(self, rows: NDArray, times_s: NDArray) -> NDArray:
        """Return the number of the strike an instant belongs to; -1 before the first switching-off.

        A strike ends where the coil is switched on again: conduction that begins while it is recharged
        belongs to the next strike.
        """
        with np.errstate(invalid="ignore"):
            begun = (self.on_s[rows, 1:] <= times_s[:, None] + 1e-12).sum(axis=1)
            return np.where(self.off_s[rows, 0] <= times_s + 1e-12, begun, -1)

    def column(self, rows: NDArray, end: int, times_s: NDArray) -> NDArray:
        """Return c in V = c |I|^-0.32 of the present column (Kim & Anderson, SAE 952459)."""
        p = self.p
        track = self.path[rows, end] == TRACK
        length = np.where(track, TRACK_LENGTH_M, p.gap_length_m[rows, end] + p.stretch_m_per_s[rows, end]
                          * (times_s - self.stretched_from_s[rows, end]))
        pressure = np.where(track, TRACK_PRESSURE_BAR, p.pressure_bar[rows, end])
        return 40.46 * length * 1e3 * pressure**0.51

    def slopes(self, rows: NDArray, mode: NDArray, x: NDArray, draw: NDArray) -> NDArray:
        """Return d/dt of the four signals, shape (4, ...); events in axis 1.

        ``mode`` is a kind of circuit, x holds the `coil_states`, draw (2, ...) the currents from the towers.
        """
        more = (slice(None),) + (None,) * (x.ndim - 2)
        p = self.p

        def of(array: NDArray) -> NDArray:
            return array[rows][more]

        i1, i2, v1, a, b = x[:5]
        kind, own = mode[more], rows[more]
        first = of(p.supply_V) - of(p.primary_resistance_ohm) * i1 - v1
        second = b - a - of(p.secondary_resistance_ohm) * i2
        current = (of(p.secondary_inductance_H) * first - of(self.mutual_H) * second) / of(self.determinant)
        into_b = i2
        if len(x) > 5:
            divided, into, joint = of(self.sections), x[5], x[6]
            near, ohm = of(p.section_share), of(p.secondary_resistance_ohm)
            of_joint = of(self.per_henry)
            parted = of_joint[..., 0] * first + of_joint[..., 1] * (joint - a - near * ohm * i2)
            parted += of_joint[..., 2] * (b - joint - (1.0 - near) * ohm * into)
            current, into_b = np.where(divided, parted, current), np.where(divided, into, i2)
        modes = self.burning
        switch = (v1 - modes.switch_V[kind, own]) * modes.switch_S[kind, own]
        switch += (v1 - of(p.supply_V)) / of(p.primary_damping_ohm)
        core = (a - b) / of(p.core_loss_ohm)
        rise_a = (i2 - core - modes.leak_S[kind, own, 0] * a - draw[0]) / of(modes.tower_F[:, 0])
        rise_b = (-into_b + core - modes.leak_S[kind, own, 1] * b - draw[1]) / of(modes.tower_F[:, 1])
        return np.stack([rise_a, rise_b, (i1 - switch) / of(p.primary_capacitance_F), current])
