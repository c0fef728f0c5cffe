"""Advance events in which a gap conducts: exact steps of the coil, implicit steps of the discharge."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sigkit.simulate.circuit_modes import CLEAN_OHM
from sigkit.simulate.event_run import (
    GAP,
    NOISE_STEP_S,
    OPEN_ARC_V,
    STEADY_A,
    TRACK,
    TRACK_HOLD_A,
    TRACK_LENGTH_M,
    TRACK_OHM,
    TRACK_PRESSURE_BAR,
    EventRun,
)

#: Step sizes by level, their damping (see `CircuitModes.driven_propagator`) and the age of the last
#: kink from which each may be used (our choice).
STEPS_S = np.array([20e-9, 100e-9, 0.25e-6, 1e-6])
_DAMPING = np.array([1.0, 1.0, 0.1, 0.1])
_AGE_S = np.array([0.0, 0.2e-6, 2e-6, 12e-6])

#: Medium steps this long after a switching-off, while the primary leakage rings (our choice).
_FINE_S = 200e-6

#: Smallest step and steps a chunk.
_LEAST_S, _CHUNK = 1e-12, 64

#: A fading gap with less conductance than this is open (our choice), S; its conductance decays with a
#: time constant that grows with softness from the first to the first plus the second, seconds.
_FADED_S, FADE_S, FADE_SOFT_S = 5e-8, 20e-6, 150e-6

#: The column law is not followed below this current (our choice), A, nor below this share of the gap.
_LEAST_A, _LEAST_LENGTH = 0.2e-3, 0.3


class _Burn:
    """One chunk of steps for some events; arrays have the events in the last axis."""

    def __init__(self, run: EventRun, rows: NDArray) -> None:
        self.run, self.rows = run, rows
        self.level = np.full(rows.size, -2)
        count = run.burning.size
        self.move = np.zeros((count, count + 5, rows.size))
        self.coarse = np.zeros(rows.size, dtype=bool)
        self.load()

    def load(self, which: NDArray | slice = slice(None)) -> None:
        """Fetch what does not change during a step from the run, for all or some events."""
        run = self.run
        if isinstance(which, slice):
            names: dict[str, NDArray] = {}
            self.names = names
        own = self.rows[which]
        p = run.p
        track = run.path[own] == TRACK
        on = run.conducting[own]
        single = on | run.fading[own]
        values = {
            "on": on, "held": on | (run.fading[own] & p.fall_stays[own]), "fading": run.fading[own],
            "sign": run.sign[own], "track": track & on,
            "fall": run.spark_fall_V[own], "electrodes": p.cathode_fall_V[own],
            "column_ohm": np.where(track, 0.0, p.column_ohm[own]),
            "ohm": np.where(track & on, TRACK_OHM, run.link_ohm[own]),
            "arc": np.where(run.open_gap[own] & on & ~track, OPEN_ARC_V, 0.0) * run.sign[own],
            "farad": np.where(track & on, 1e-12, p.plug_capacitance_F[own]),
            "shunt_S": np.where(track & on, 0.0, 1.0 / p.shunt_ohm[own]) + 1.0 / CLEAN_OHM,
            "hold": np.where(track, TRACK_HOLD_A, p.hold_current_A[own]),
            "length": np.where(track, TRACK_LENGTH_M, p.gap_length_m[own]),
            "stretch": np.where(track, 0.0, p.stretch_m_per_s[own]),
            "density": 40.46e3 * np.where(track, TRACK_PRESSURE_BAR, p.pressure_bar[own]) ** 0.51,
            "limit_V": np.where(track, np.inf, p.stretch_limit_V[own]),
            "from_s": run.stretched_from_s[own], "inertia": p.column_inertia_s[own],
            "fade": FADE_S + FADE_SOFT_S * p.soft_end[own],
            "V": run.gap_V[own], "S": run.gap_S[own] * single, "A": run.draw_A[own],
            "U": run.start_V[own], "C": run.gap_A[own],
            "leak_V": np.where(on, np.inf, run.leak_V[own]),
            "open_V": np.where(run.open_gap[own] & ~run.bridged[own], p.open_gap_V[own], np.inf),
        }
        for name, value in values.items():
            if isinstance(which, slice):
                self.names[name] = np.ascontiguousarray(value.T)
            else:
                self.names[name][:, which] = value.T
        if isinstance(which, slice):
            self.x = np.ascontiguousarray(run.state[own][:, run.coil_states].T)
            self.t = run.t[own].copy()
            self.dead = np.zeros(own.size, dtype=bool)
            self.stop = np.empty(own.size)
            self.blow = np.empty(own.size)
        burning = on.any(axis=1)
        blow = np.where(on & ~run.blown[own], p.blow_out_s[own], np.inf)
        self.blow[which] = np.where(burning, np.where(blow > run.t[own][:, None], blow, np.inf).min(axis=1),
                                    np.inf)
        self.stop[which] = np.minimum(run.next_tick_s(own), self.blow[which])

    def save(self, which: NDArray) -> None:
        """Write the state of some events back to the run."""
        run, own, names = self.run, self.rows[which], self.names
        run.state[own[:, None], run.coil_states] = self.x[:, which].T
        run.t[own] = self.t[which]
        run.gap_V[own], run.gap_S[own] = names["V"][:, which].T, names["S"][:, which].T
        run.draw_A[own] = names["A"][:, which].T
        run.start_V[own], run.gap_A[own] = names["U"][:, which].T, names["C"][:, which].T
        run.stretched_from_s[own] = names["from_s"][:, which].T
        run.spark_fall_V[own] = names["fall"][:, which].T
        run.fading[own] = names["fading"][:, which].T
        run.state[own, 5:7] = run.gap_V[own]

    def choose(self, live: NDArray) -> NDArray:
        """Pick step sizes, refresh the propagators whose step changed, return the steps (r,)."""
        run, rows = self.run, self.rows
        age = self.t - run.since[rows] + 1e-12
        level = np.searchsorted(_AGE_S, age, side="right") - 1
        level = np.where(self.t - run.switched[rows] < _FINE_S, np.minimum(level, 2), level)
        step = STEPS_S[level]
        left = np.maximum(self.stop - self.t, _LEAST_S)
        short = step > left
        step = np.where(short, left, step)
        change = np.flatnonzero(live & ((level != self.level) | short))
        if change.size:
            self.move[:, :, change] = self.propagators(change, step[change], _DAMPING[level[change]])
        self.level = np.where(short, -2, level)
        self.coarse = _DAMPING[level] < 1.0
        return step

    def propagators(self, which: NDArray, step: NDArray, damping: NDArray) -> NDArray:
        run, own = self.run, self.rows[which]
        mode = run.kind(own)
        run.burning.build(mode, own)
        result = np.empty((*self.move.shape[:2], which.size))
        for value in np.unique(damping):
            some = np.flatnonzero(damping == value)
            result[:, :, some] = run.burning.driven_propagator(mode[some], own[some], step[some], value)
        return result

    def step(self, which: NDArray | slice, move: NDArray, h: NDArray) -> tuple[NDArray, ...]:
        """Return state, gap voltage, drawn current and gap current at the end of a step."""
        get = {k: v[:, which] for k, v in self.names.items()
               if k in ("held", "S", "farad", "shunt_S", "V", "sign", "fall", "ohm", "arc", "A")}
        states = len(move)
        free = np.einsum("ijn,jn->in", move[:, :states], self.x[:, which]) + move[:, states]
        free += move[:, states + 1] * get["A"][0] + move[:, states + 2] * get["A"][1]
        late = move[:, states + 3 : states + 5]
        storage = get["farad"] / h
        conductance = storage + get["shunt_S"] + get["S"]
        source = storage * get["V"] + get["held"] * get["S"] * get["sign"] * get["fall"]
        ohm = get["ohm"] + 1.0 / conductance
        excess = free[3:5] - source / conductance - get["arc"]
        a, b = ohm[0] - late[3, 0], -late[3, 1]
        c, d = -late[4, 0], ohm[1] - late[4, 1]
        det = a * d - b * c
        draw = np.stack([(d * excess[0] - b * excess[1]) / det, (a * excess[1] - c * excess[0]) / det])
        state = free + late[:, 0] * draw[0] + late[:, 1] * draw[1]
        voltage = (draw + source) / conductance
        current = get["S"] * (voltage - get["held"] * get["sign"] * get["fall"])
        return state, voltage, draw, current

    def limits(self, which: NDArray, t: NDArray, x: NDArray, voltage: NDArray, current: NDArray) -> NDArray:
        """Return the functions whose becoming positive is an event, shape (11, r)."""
        run, own, names = self.run, self.rows[which], self.names
        result = np.full((11, own.size), -1.0)
        result[0], result[1] = run.primary_limits(own, x[0], x[2])
        on, sign = names["on"][:, which], names["sign"][:, which]
        threshold = run.threshold_V(own, t).T
        result[2:4] = np.where(on, -1.0, np.abs(voltage) - threshold)
        result[4:6] = np.abs(x[3:5]) - names["leak_V"][:, which]
        result[6:8] = np.abs(x[3:5] - voltage) - names["open_V"][:, which]
        result[8:10] = np.where(on, names["hold"][:, which] - sign * current, -1.0)
        result[10] = run.diode_limit(own, x[4])
        return result


def advance_burn(run: EventRun, rows: NDArray) -> None:
    """Advance these events by up to a chunk of steps; those that stop conducting wait for the others."""
    burn = _Burn(run, rows)
    names, n = burn.names, rows.size
    kept: list[tuple[NDArray, ...]] = []
    everyone = np.arange(n)

    def keep(which: NDArray) -> None:
        own = rows[which]
        kept.append((own, burn.t[which], run.kind(own), burn.x[:, which], names["A"][:, which]))

    fresh = np.flatnonzero(run.fresh[rows])
    if fresh.size:
        keep(fresh)
        run.fresh[rows[fresh]] = False
    before = burn.limits(everyone, burn.t, burn.x, names["V"], _current(names))
    for _ in range(_CHUNK):
        live = ~burn.dead
        if not live.any():
            break
        h = burn.choose(live)
        state, voltage, draw, current = burn.step(slice(None), burn.move, h)
        after = burn.limits(everyone, burn.t + h, state, voltage, current)
        struck = np.flatnonzero((after > 0).any(axis=0) & live)
        if struck.size:
            low, high = before[:, struck], after[:, struck]
            with np.errstate(invalid="ignore", divide="ignore"):
                share = np.where(high > 0, np.where(low > 0, 0.0, low / (low - high)), np.inf)
            which = share.argmin(axis=0)
            part = np.maximum(h[struck] * share[which, np.arange(struck.size)], _LEAST_S)
            h[struck] = part
            level = np.maximum(burn.level[struck], 0)
            move = burn.propagators(struck, part, _DAMPING[level])
            for whole, piece in zip((state, voltage, draw, current), burn.step(struck, move, part),
                                    strict=True):
                whole[:, struck] = piece
        _accept(burn, h, live, state, voltage, draw, current)
        keep(np.flatnonzero(live) if not live.all() else everyone)
        before = after
        due = np.flatnonzero(live & (burn.t >= burn.stop - 2e-13))
        due = due[~np.isin(due, struck)]
        faded = np.flatnonzero(live & (names["fading"] & (names["S"] < _FADED_S)).any(axis=0))
        names["fading"][:, faded] &= names["S"][:, faded] >= _FADED_S
        changed = np.concatenate([struck, due])
        if changed.size or faded.size:
            touched = np.union1d(changed, faded)
            burn.save(touched)
            if struck.size:
                _carry_out(run, rows[struck], which)
            _pass(run, burn, due)
            burn.load(touched)
            burn.level[touched] = -2
            again = touched[run.fresh[rows[touched]]]
            keep(again)
            run.fresh[rows[again]] = False
            before[:, touched] = burn.limits(touched, burn.t[touched], burn.x[:, touched],
                                             names["V"][:, touched], _current(names)[:, touched])
            own = rows[touched]
            burn.dead[touched] = run.done[own] | ~(run.conducting[own] | run.fading[own]).any(axis=1)
    burn.save(everyone)
    _store(run, kept)


def _current(names: dict[str, NDArray]) -> NDArray:
    return names["S"] * (names["V"] - names["held"] * names["sign"] * names["fall"])


def _accept(
    burn: _Burn, h: NDArray, live: NDArray, state: NDArray, voltage: NDArray, draw: NDArray,
    current: NDArray,
) -> None:
    """Take the step for the live events and let the column follow its law."""
    run, names = burn.run, burn.names
    # Damped steps hold the end current throughout: charge times mean voltage is then the exact energy of
    # a capacitance emptied through the gap, however coarse the step.
    mean_A = np.where(burn.coarse, 0.5 * (names["C"] + current), current)
    run.energy_J[burn.rows] += np.where(live, 0.5 * h * mean_A * (names["U"] + voltage), 0.0).T
    burn.t = np.where(live, burn.t + h, burn.t)
    burn.x = np.where(live, state, burn.x)
    for name, value in (("V", voltage), ("U", voltage), ("A", draw), ("C", current)):
        names[name] = np.where(live, value, names[name])
    place = np.clip(burn.t / NOISE_STEP_S, 0.0, run.noise.shape[2] - 1.001)
    cell = place.astype(np.int64)
    part = place - cell
    noise = run.noise[burn.rows, :, cell].T * (1.0 - part) + run.noise[burn.rows, :, cell + 1].T * part
    base = names["length"]
    length = np.maximum((base + names["stretch"] * (burn.t - names["from_s"])) * (1.0 + noise),
                        _LEAST_LENGTH * base)
    size = np.maximum(np.abs(current), _LEAST_A)
    on = names["on"] & live
    steady = names["column_ohm"] > 0
    column_V = size / np.where(on, names["S"], 1.0) + np.where(steady, names["fall"] - names["electrodes"], 0.0)
    cut = on & (column_V > names["limit_V"]) & (length > 1.1 * base)
    if cut.any():
        names["S"] = np.where(cut & ~steady, names["S"] * length / base, names["S"])
        names["from_s"] = np.where(cut, burn.t, names["from_s"])
        length = np.where(cut, base, length)
        run.short_cuts[burn.rows] += cut.T
    target = size**1.32 / (names["density"] * length)
    if steady.any():
        target = np.where(steady, 1.0 / np.where(steady, names["column_ohm"], 1.0), target)
        kept_V = names["electrodes"] + names["density"] * length * STEADY_A**-0.32
        names["fall"] = np.where(steady & on, kept_V, names["fall"])
    follow = -np.expm1(-h / names["inertia"])
    fading = names["fading"] & live
    names["S"] = np.where(on, names["S"] + (target - names["S"]) * follow, names["S"])
    if fading.any():
        names["S"] = np.where(fading, names["S"] * np.exp(-h / names["fade"]), names["S"])
        # Below the fall nothing flows any more.
        spent = fading & names["held"] & (names["sign"] * names["V"] <= names["fall"])
        names["S"] = np.where(spent, 0.0, names["S"])


def _carry_out(run: EventRun, rows: NDArray, which: NDArray) -> None:
    primary = which < 2
    run.turn_diode(rows[which == 10])
    run.change_primary(rows[primary], which[primary] == 1)
    for end in range(2):
        run.ignite(rows[which == 2 + end], end, GAP)
        run.ignite(rows[which == 4 + end], end, TRACK)
        run.bridge(rows[which == 6 + end], end, True)
        run.extinguish(rows[which == 8 + end], end, soft=True)


def _pass(run: EventRun, burn: _Burn, due: NDArray) -> None:
    """Carry out switchings and blow-outs that are due."""
    blown = due[burn.blow[due] <= burn.t[due] + 2e-13]
    own = burn.rows[blown]
    for end in range(2):
        hit = own[run.conducting[own, end] & (np.abs(run.p.blow_out_s[own, end] - run.t[own]) < 1e-12)]
        run.blown[hit, end] = True
        run.extinguish(hit, end, soft=False)
    own = burn.rows[due]
    run.pass_tick(own[run.next_tick_s(own) <= run.t[own] + 2e-13])


def _store(run: EventRun, kept: list[tuple[NDArray, ...]]) -> None:
    """Turn the steps of a chunk into knots."""
    if not kept:
        return
    rows, times, mode = (np.concatenate([part[i] for part in kept]) for i in range(3))
    x, draw = (np.concatenate([part[i] for part in kept], axis=1) for i in (3, 4))
    run.knots.add(rows, times, x[[3, 4, 2, 0]], run.slopes(rows, mode, x, draw))
