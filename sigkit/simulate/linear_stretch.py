"""Advance events in which no gap conducts: exact powers of the propagator, a block of knots at a time."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from sigkit.simulate.circuit_modes import CLAMPED, OFF
from sigkit.simulate.event_run import GAP, OPEN_HOLD_A, TRACK, EventRun

#: Knot distance by level and knots a block (powers of two; our choice: an oscillation of 20 kHz sampled
#: at the coarsest step is interpolated to 2e-4 of its amplitude).
STEPS_S = np.array([5e-9, 50e-9, 0.2e-6, 1e-6, 2e-6, 4e-6])
COUNTS = np.array([4, 8, 32, 32, 64, 64])

#: A level may be used this long after the last kink.
_AGE_S = np.array([0.0, 14e-9, 0.35e-6, 12e-6, 100e-6, 400e-6])

#: After a switching-off the primary leakage rings at some 0.2-1 MHz: fine steps this long, medium steps
#: that long (our choice).
_FINE_S, _MEDIUM_S = 200e-6, 600e-6

#: A broken lead that was bridged is watched for a vanishing current only after this time.
_SETTLE_S = 1e-6


def _levels(run: EventRun, rows: NDArray) -> NDArray:
    age = run.t[rows] - run.since[rows]
    level = np.searchsorted(_AGE_S, age + 1e-12, side="right") - 1
    off_age = run.t[rows] - run.switched[rows]
    off = run.mode[rows] >= OFF
    level = np.where(off & (off_age < _FINE_S), np.minimum(level, 2), level)
    level = np.where(off & (off_age < _MEDIUM_S), np.minimum(level, 3), level)
    # Between two sections of a winding something rings at some 50 kHz: knots 1 us apart (our choice).
    level = np.where(run.sections[rows], np.minimum(level, 3), level)
    return np.where(run.mode[rows] >= CLAMPED, np.minimum(level, 2), level)


def _limits(run: EventRun, rows: NDArray, state: NDArray, times_s: NDArray) -> NDArray:
    """Return the eleven functions whose becoming positive is an event, shape (r, 11, ...)."""
    functions = np.full((rows.size, 11, *times_s.shape[1:]), -1.0)
    functions[:, 0], functions[:, 1] = run.primary_limits(rows, state[:, 0], state[:, 2])
    tower, plug = state[:, 3:5], state[:, 5:7]
    functions[:, 2:4] = np.abs(plug) - run.threshold_V(rows, times_s)
    more = (slice(None), slice(None)) + (None,) * (times_s.ndim - 1)
    functions[:, 4:6] = np.abs(tower) - run.leak_V[rows][more]
    loose = run.open_gap[rows]
    if loose.any():
        bridged = run.bridged[rows]
        across = np.abs(tower - plug)
        with np.errstate(invalid="ignore"):
            closing = across - run.p.open_gap_V[rows][more]
        functions[:, 6:8] = np.where((loose & ~bridged)[more], closing, -1.0)
        watched = loose & bridged & (run.t[rows] - run.since[rows] > _SETTLE_S)[:, None]
        functions[:, 8:10] = np.where(watched[more], OPEN_HOLD_A - across / run.link_ohm[rows][more], -1.0)
    functions[:, 10] = run.diode_limit(rows, state[:, 4])
    return functions


def advance_linear(run: EventRun, rows: NDArray) -> None:
    """Advance each of these events by one block, or to its next event, which is carried out."""
    level = _levels(run, rows)
    for value in np.unique(level):
        _advance(run, rows[level == value], int(value))


def _advance(run: EventRun, rows: NDArray, level: int) -> None:
    step, count = STEPS_S[level], int(COUNTS[level])
    mode, modes = run.kind(rows), run.linear
    modes.build(mode, rows)
    rest = modes.rest[mode, rows]
    states = np.empty((rows.size, modes.size, count))
    states[:, :, 0] = run.state[rows] - rest
    power = modes.propagator(mode, rows, np.full(rows.size, step))
    filled = 1
    while filled < count:
        states[:, :, filled : 2 * filled] = power @ states[:, :, :filled]
        power = power @ power
        filled *= 2
    states += rest[:, :, None]
    times = run.t[rows][:, None] + step * np.arange(count)

    # The knot at or behind the next switching moves onto it; knots behind are dropped.
    tick = run.next_tick_s(rows)
    last = np.minimum((times < tick[:, None] - 1e-13).sum(axis=1), count - 1)
    at_tick = times[np.arange(rows.size), last] >= tick - 1e-13
    due = np.flatnonzero(at_tick)
    states[due, :, last[due]] = modes.advance(
        mode[due], rows[due], run.state[rows[due]], tick[due] - run.t[rows[due]]
    )
    times[due, last[due]] = tick[due]

    limits = _limits(run, rows, states, times)
    hit = np.asarray(limits > 0)
    hit[:, :, 0] = False
    hit &= np.arange(count) <= last[:, None, None]
    any_hit = np.asarray(np.any(hit, axis=1))
    struck = np.flatnonzero(any_hit.any(axis=1))
    which = np.zeros(rows.size, dtype=np.int64)
    if struck.size:
        column = any_hit[struck].argmax(axis=1)
        low = limits[struck, :, column - 1]
        high = limits[struck, :, column]
        with np.errstate(invalid="ignore", divide="ignore"):
            share = np.where(hit[struck, :, column], np.clip(low / (low - high), 0.0, 1.0), np.inf)
        share[low > 0] = np.where(np.isinf(share[low > 0]), np.inf, 0.0)
        which[struck] = share.argmin(axis=1)
        pick = np.arange(struck.size)
        begin = times[struck, column - 1]
        span = times[struck, column] - begin
        start_state = states[struck, :, column - 1]
        own, own_mode = rows[struck], mode[struck]
        function = which[struck]
        moment = _root(
            lambda s: _limits(
                run, own, modes.advance(own_mode, own, start_state, s), begin + s
            )[pick, function],
            low[pick, function], high[pick, function], span,
        )
        states[struck, :, column] = modes.advance(own_mode, own, start_state, moment)
        times[struck, column] = begin + moment
        last[struck] = column
        at_tick[struck] = False

    _keep(run, rows, states, times, last)
    run.t[rows] = times[np.arange(rows.size), last]
    run.state[rows] = states[np.arange(rows.size), :, last]
    run.gap_V[rows] = run.state[rows, 5:7]
    run.fresh[rows] = False
    run.pass_tick(rows[at_tick])
    if struck.size:
        _carry_out(run, rows[struck], which[struck])


def _root(
    function: Callable[[NDArray], NDArray], low: NDArray, high: NDArray, span: NDArray
) -> NDArray:
    """Return where the functions pass zero between 0 and span (Illinois variant of false position)."""
    left, right = np.zeros_like(span), span.copy()
    low, high = np.minimum(low, 0.0), high.copy()
    side = np.zeros(span.size)
    for _ in range(6):
        guess = right - high * (right - left) / np.where(high - low == 0, 1.0, high - low)
        value = function(guess)
        above = value > 0
        right, high = np.where(above, guess, right), np.where(above, value, high)
        left, low = np.where(above, left, guess), np.where(above, low, value)
        low = np.where(above & (side > 0), low / 2, low)
        high = np.where(~above & (side < 0), high / 2, high)
        side = np.where(above, 1.0, -1.0)
    return right


def _keep(run: EventRun, rows: NDArray, states: NDArray, times: NDArray, last: NDArray) -> None:
    """Store the knots; the first column only where a kink lies there."""
    count = times.shape[1]
    place = np.arange(count)
    keep = (place <= last[:, None]) & ((place > 0) | run.fresh[rows][:, None])
    event, column = np.nonzero(keep)
    x = states.transpose(1, 0, 2)[:, event, column]
    own = rows[event]
    draw = (x[3:5] - x[5:7]) / run.link_ohm[own].T
    slopes = run.slopes(own, run.kind(own), x[run.coil_states], draw)
    run.knots.add(own, times[event, column], x[[3, 4, 2, 0]], slopes)


def _carry_out(run: EventRun, rows: NDArray, which: NDArray) -> None:
    """Carry out the events found: primary changes, breakdowns, bridging, the diode."""
    run.turn_diode(rows[which == 10])
    primary = which < 2
    run.change_primary(rows[primary], which[primary] == 1)
    for end in range(2):
        run.ignite(rows[which == 2 + end], end, GAP)
        run.ignite(rows[which == 4 + end], end, TRACK)
        run.bridge(rows[which == 6 + end], end, True)
        run.bridge(rows[which == 8 + end], end, False)
