"""Turn what happened during the integration into the truth table of the events."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sigkit.simulate.circuit_modes import OFF
from sigkit.simulate.event_run import EventRun
from sigkit.simulate.event_truth import FLASH_S, EventTruth

#: A rise of the voltage behind burn_end counts as visible from this share of the voltage there on, when
#: it comes within this time (our choice).
VISIBLE_RISE, RISE_WITHIN_S = 0.10, 60e-6

#: A re-ignition shorter than this behind the last longer interval is an after-flash (our choice).
AFTER_FLASH_S = 20e-6


def derive_truth(
    run: EventRun, offset: NDArray, time_s: NDArray, value: dict[str, NDArray]
) -> EventTruth:
    """Return the truth of a finished run; knots as `KnotStore.finish` returns them."""
    for side in range(2):  # whatever still burns is cut by the end of the run
        run.extinguish(np.flatnonzero(run.conducting[:, side]), side, soft=False)
    n, strikes = run.off_s.shape
    columns = [
        np.concatenate([part[i] for part in run.intervals]) if run.intervals else np.zeros(0)
        for i in range(6)
    ]
    order = np.lexsort((columns[4], columns[1], columns[0]))
    event, end, strike, path = (column[order].astype(np.int64) for column in columns[:4])
    start, stop = (column[order] for column in columns[4:])

    began = np.full((n, 2, strikes), np.nan)
    ended = np.full((n, 2, strikes), np.nan)
    # A crest of the ring that fires through the gap once more does not lengthen the burn.
    counted = (strike >= 0) & ~_after_flash(event, end, strike, start, stop)
    index = (event[counted], end[counted], strike[counted])
    np.fmin.at(began, index, start[counted])
    np.fmax.at(ended, index, stop[counted])
    first = counted & (strike == 0)
    flashes = np.zeros((n, 2), dtype=np.int64)
    late = ~counted & (strike == 0)
    np.add.at(flashes, (event[late], end[late]), 1)
    duration = np.zeros((n, 2))
    pieces = np.zeros((n, 2), dtype=np.int64)
    np.add.at(duration, (event[first], end[first]), (stop - start)[first])
    np.add.at(pieces, (event[first], end[first]), 1)

    own = np.repeat(np.arange(n), np.diff(offset))
    strike_stop = np.where(run.p.repeat_strikes > 0, run.p.repeat_burn_s, run.end_s)
    in_strike = (time_s >= 0) & (time_s <= strike_stop[own])
    shape = (n, 2)
    firing, at_break, peak, burn, slope = (np.full(shape, np.nan) for _ in range(5))
    soft = np.zeros(shape, dtype=bool)
    for side in range(2):
        signal = value[f"tower_{side}_V"]
        live = np.ones(n, dtype=bool) if side == 0 else run.p.shared
        breakdown, burn_end = began[:, side, 0], ended[:, side, 0]
        sign = np.where(side == 0, run.p.winding_sign, -run.p.winding_sign).astype(float)
        with np.errstate(invalid="ignore"):
            up_to = in_strike & (time_s <= breakdown[own])
        size = np.abs(signal)
        top = _last_of_largest(own, np.where(in_strike, size, -1.0), offset)
        peak[:, side] = np.where(live, signal[top], np.nan)
        own_sign = np.where(up_to, signal * sign[own], -np.inf)
        crest = _last_of_largest(own, own_sign, offset)
        sparked = np.isfinite(breakdown) & live
        firing[:, side] = np.where(sparked, signal[crest], np.nan)
        final = _last_until(np.nan_to_num(breakdown), own, time_s, offset)
        at_break[:, side] = np.where(sparked, signal[final], np.nan)
        for row in np.flatnonzero(sparked):
            knots = slice(offset[row], offset[row + 1])
            burn[row, side] = _middle(time_s[knots], signal[knots], breakdown[row], burn_end[row])
            slope[row, side] = _slope(time_s[knots], signal[knots], breakdown[row], burn_end[row])
        with np.errstate(invalid="ignore"):
            behind = (time_s >= burn_end[own]) & (time_s <= burn_end[own] + RISE_WITHIN_S)
        level = signal[_last_until(np.nan_to_num(burn_end), own, time_s, offset)]
        rise = np.maximum.reduceat(np.where(behind, signal * np.sign(level)[own], -np.inf), offset[:-1])
        soft[:, side] = sparked & (rise < (1.0 + VISIBLE_RISE) * np.abs(level))
    current = value["coil_current_A"]
    most = np.maximum.reduceat(np.where(time_s <= 0, current, -np.inf), offset[:-1])
    off_current = current[_last_until(np.zeros(n), own, time_s, offset)].astype(float)
    ring_Hz, ring_damping = _open_ring(run)
    spark = np.where(duration >= FLASH_S, "yes", np.where(duration > 0, "flash", "no"))
    return EventTruth(
        coil_on_s=run.on_s, coil_off_s=run.off_s,
        breakdown_s=began[:, :, 0], burn_end_s=ended[:, :, 0],
        strike_breakdown_s=began, strike_burn_end_s=ended,
        interval_event=event, interval_end=end, interval_strike=strike, interval_path=path,
        interval_start_s=start, interval_stop_s=stop,
        firing_voltage_V=firing, breakdown_voltage_V=at_break, peak_voltage_V=peak, burn_voltage_V=burn,
        burn_slope_V_per_s=slope, ring_frequency_Hz=ring_Hz, ring_damping_ratio=ring_damping,
        peak_current_A=most, off_current_A=off_current,
        stored_energy_J=0.5 * run.p.primary_inductance_H * off_current**2,
        gap_energy_J=run.energy_J, spark=spark, soft_end=soft,
        restrikes=np.maximum(pieces - 1, 0), short_cuts=run.short_cuts, after_flashes=flashes,
    )


def _after_flash(event: NDArray, end: NDArray, strike: NDArray, start: NDArray, stop: NDArray) -> NDArray:
    """Tell which intervals are short re-ignitions behind the last long one of their discharge."""
    long = stop - start >= AFTER_FLASH_S
    size = int(strike.max(initial=0)) + 2
    key = (event * 2 + end) * size + strike + 1
    last_long = np.full(int(key.max(initial=0)) + 1, -np.inf)
    np.maximum.at(last_long, key[long], start[long])
    return np.isfinite(last_long[key]) & (start > last_long[key]) if key.size else np.zeros(0, dtype=bool)


def _last_of_largest(own: NDArray, score: NDArray, offset: NDArray) -> NDArray:
    """Return, event by event, the place of the last knot with the largest score."""
    most = np.maximum.reduceat(score, offset[:-1])
    place = np.zeros(most.size, dtype=np.int64)
    best = np.flatnonzero(score == most[own])
    place[own[best]] = best
    return place


def _last_until(instant_s: NDArray, own: NDArray, time_s: NDArray, offset: NDArray) -> NDArray:
    """Return, event by event, the place of the last knot at or before an instant."""
    count = np.add.reduceat((time_s <= instant_s[own]).astype(np.int64), offset[:-1])
    return offset[:-1] + np.maximum(count - 1, 0)


def _middle(time_s: NDArray, signal: NDArray, begin: float, end: float) -> float:
    """Return the median over the middle 40 % of a burn, on 201 evenly spaced instants."""
    return float(np.median(_evenly(time_s, signal, begin, end, 0.3)[1]))


def _slope(time_s: NDArray, signal: NDArray, begin: float, end: float) -> float:
    """Return the slope of the least-squares line over 20 to 80 % of a burn, on 201 evenly spaced instants."""
    instants, level = _evenly(time_s, signal, begin, end, 0.2)
    from_middle = instants - instants.mean()
    return float(from_middle @ level / (from_middle @ from_middle))


def _evenly(time_s: NDArray, signal: NDArray, begin: float, end: float, margin: float) -> tuple[NDArray, NDArray]:
    """Return 201 evenly spaced instants of a burn without this share at either end, and the levels there."""
    instants = np.linspace(begin + margin * (end - begin), begin + (1.0 - margin) * (end - begin), 201)
    return instants, np.interp(instants, time_s, signal)


def _open_ring(run: EventRun) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return damped frequency (hertz) and damping ratio of each open circuit's slowest oscillation, shape (n,) each.

    Of a coil whose primary is off and whose gaps do not conduct two pairs of rates oscillate: the flux of the core
    with the capacitance of the secondary, and faster the leakage. NaN where the slower is damped beyond oscillating,
    and behind a blocking diode, where each half swing has a circuit of its own.
    """
    modes, rows = run.linear, np.arange(run.n)
    modes.build(np.full(run.n, OFF), rows)
    rate = modes.rate[OFF]
    # Rounding gives rates that do not oscillate some 1e-10 of an imaginary part.
    turning = np.where(rate.imag > 1e-6 * np.abs(rate), rate.imag, np.inf)
    slowest = rate[rows, turning.argmin(axis=1)]
    rings = (np.isfinite(turning).sum(axis=1) > 1) & ~run.p.blocking_diode
    return (np.where(rings, slowest.imag / (2.0 * np.pi), np.nan),
            np.where(rings, -slowest.real / np.abs(slowest), np.nan))  # fmt: skip
