"""Measure every quantity of the firings of one channel from their instants, whoever placed these."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sigkit.measure.combine_event import RATIO_U, blank_circuit
from sigkit.measure.firing_windows import FiringWindows
from sigkit.measure.measure_burn import BurnReading, measure_burn
from sigkit.measure.measure_clamp import measure_clamp
from sigkit.measure.measure_current import measure_current
from sigkit.measure.measure_oscillation import RingReading, measure_oscillation
from sigkit.measure.measure_peak import PeakReading, measure_peak
from sigkit.measure.measure_times import measure_times
from sigkit.prepare.block_summary import summarise_blocks
from sigkit.prepare.channel_condition import ChannelCondition, condition_channel
from sigkit.types.channel import Channel
from sigkit.types.firings import Firings
from sigkit.types.flags import LOWER_BOUND, OK, missing
from sigkit.types.instants import Instants
from sigkit.types.measurements import QUANTITIES, Column, Measurements

#: Below this rate short details are not resolved (flag ``low_rate``).
LOW_RATE_HZ = 100e3
#: Standard uncertainty from the other lead of a shared coil, which fires at the same time and couples into the
#: pickup, as a share of the voltage (our choice: couplings of up to a few per cent between neighbouring leads).
COUPLING_U = 0.008
#: Levels in the unit of the channel that are kept even when the file gives no scale in volts.
LEVEL_COLUMNS = {
    "peak_level": "peak_voltage", "firing_level": "firing_voltage", "burn_level": "burn_voltage",
    "burn_slope_level_per_ms": "burn_slope", "burn_curvature_level_per_ms2": "burn_curvature",
    "burn_hash_level": "burn_hash", "burn_step_level": "burn_step",
}
_BURN = {"burn_voltage": "level", "burn_slope": "slope", "burn_curvature": "curvature", "burn_hash": "hash",
         "burn_step": "step"}
_RING = {"ring_frequency": "frequency", "ring_damping_ratio": "damping", "ring_cycles": "cycles",
         "ring_hidden_cycles": "hidden"}


def measure_firings(
    channel: Channel, firings: Firings, instants: Instants, condition: ChannelCondition | None = None,
    coupling_u: float = COUPLING_U,
) -> Measurements:
    """Measure the firings of one channel.

    Parameters
    ----------
    channel : Channel
        Coil-current channels give dwell only, synchronising pulses nothing, primary-voltage channels no
        firing voltage. A channel of unknown kind is measured as a secondary.
    firings : Firings
        Windows and signs, row by row those of ``instants``.
    instants : Instants
        From a locator, a rival or a hand.
    condition : ChannelCondition, optional
        Noise, step and limits of the channel; found from the samples when not given.
    coupling_u : float
        Standard uncertainty from leads that fire at the same time, as a share of the voltage; 0 where none does.

    Returns
    -------
    Measurements
        Every quantity of `sigkit.types.measurements.QUANTITIES`. ``extra`` holds the levels in the unit of
        the channel (`LEVEL_COLUMNS`, with ``_u``), filled with or without a scale, and ``baseline_level``,
        ``baseline_source``, ``noise_level``, ``droop_rate_Hz`` (1 / time constant of the pickup, 0: none).

    Raises
    ------
    ValueError
        When firings and instants differ in length.

    Examples
    --------
    >>> from sigkit.measure.instants_from_table import firings_from_instants, instants_from_table
    >>> t = np.arange(-4e-3, 8e-3, 1e-6)
    >>> volts = np.where((t >= 0) & (t < 1.5e-3), 1000.0, np.where((t >= -10e-6) & (t < 0), 9e8 * (t + 10e-6), 0.0))
    >>> channel = Channel("1", volts, 1e6, start_s=-4e-3, unit="V")
    >>> table = {"coil_on_s": [-3e-3], "coil_off_s": [-10e-6], "breakdown_s": [0.0], "burn_end_s": [1.5e-3]}
    >>> instants = instants_from_table(channel, {name: np.array(v) for name, v in table.items()})
    >>> got = measure_firings(channel, firings_from_instants(channel, instants), instants)
    >>> float(got.columns["burn_voltage"].value[0]), round(float(got.columns["burn_time"].value[0]), 6)
    (1000.0, 1.5)
    """
    n = len(firings)
    if len(instants) != n:
        raise ValueError(f"channel {channel.name}: {n} firings but {len(instants)} rows of instants")
    columns = measure_times(channel, instants)
    levels = np.full((n, 4), np.nan)
    source = np.full(n, "none", dtype=object)
    words: list[list[str]] = [[] for _ in range(n)]
    extra: dict[str, NDArray] = {}
    kind = "coil_current" if channel.unit == "A" and channel.kind == "unknown" else channel.kind
    if kind in ("coil_current", "synchronising_pulse"):
        kept = ("coil_on", "coil_off", "dwell_time") if kind == "coil_current" else ()
        for spec in QUANTITIES:
            if spec.name not in kept:
                columns[spec.name] = Column.missing(n, "wrong_channel")
        levels[:, 2] = 0.0
    else:
        for name in (*_BURN, *_RING, "peak_voltage", "firing_voltage"):
            columns[name] = Column.missing(n)
        if n:
            if condition is None:
                condition = condition_channel(channel, summarise_blocks(channel))
            _measure_voltages(channel, firings, instants, condition, columns, levels, source, words,
                              coupling_u if kind != "primary_voltage" else 0.0)
        if kind == "primary_voltage":
            # The switch clamp, not the gap, ends the primary's spike.
            columns["firing_voltage"] = Column.missing(n, "wrong_channel")
    extra.update(_measure_circuit(channel, instants, condition, kind) if n else blank_circuit(0))
    for name, quantity in LEVEL_COLUMNS.items():
        extra[name] = columns[quantity].value.copy()
        extra[f"{name}_u"] = columns[quantity].u.copy()
        extra[f"{name}_flag"] = columns[quantity].flag.copy()
    if channel.unit != "V":
        for quantity in LEVEL_COLUMNS.values():
            had = np.isfinite(columns[quantity].value)
            blank = Column.missing(n, "no_scale")
            blank.flag = np.where(had, blank.flag, columns[quantity].flag)
            columns[quantity] = blank
    extra["baseline_level"], extra["noise_level"] = levels[:, 0], levels[:, 1]
    extra["droop_rate_Hz"], extra["baseline_source"] = levels[:, 2], source
    first = instants.intervals.firing[instants.intervals.strike == 0]
    intervals = np.bincount(first, minlength=n)[:n] if n else np.zeros(0, dtype=np.int64)
    flags = np.array([" ".join(row) for row in _flag_words(channel, instants, intervals, words)], dtype=object)
    return Measurements(channel.name, columns, flags, intervals.astype(np.int64), extra)


def _measure_circuit(
    channel: Channel, instants: Instants, condition: ChannelCondition | None, kind: str
) -> dict[str, NDArray]:
    """Measure what a channel of the primary side shows, in amperes and volts at the circuit."""
    n = len(instants)
    if kind not in ("coil_current", "primary_voltage"):
        return blank_circuit(n)
    if condition is None:
        condition = condition_channel(channel, summarise_blocks(channel))
    columns = blank_circuit(n, "wrong_channel")
    reading: dict[str, tuple[NDArray, NDArray]]
    if kind == "coil_current":
        got = measure_current(channel, instants, condition)
        reading = {"current_peak_A": (got.peak, got.peak_u), "current_start_A": (got.start, got.start_u),
                   "current_slope_A_per_ms": (got.slope_per_ms, got.slope_u_per_ms),
                   "current_time_constant_ms": (got.constant_ms, got.constant_u_ms),
                   "current_knee_ms": (got.knee_ms, 0.02 * got.knee_ms)}
        factor = 1.0 if channel.unit == "A" else channel.pickup_ratio if channel.unit == "V" else None
    else:
        top = measure_clamp(channel, instants, condition)
        reading = {"clamp_level_V": (top.level, top.level_u), "clamp_duration_ms": (top.duration_ms, top.duration_u_ms),
                   "supply_V": (top.supply, top.supply_u), "switch_on_V": (top.on, top.on_u)}
        factor = channel.pickup_ratio if channel.unit == "V" else None
    for name, (value, u) in reading.items():
        timed = name.endswith("_ms") and not name.endswith("per_ms")
        scale = 1.0 if timed else np.nan if factor is None else factor
        gain_u = 0.0 if timed or channel.unit == "A" else RATIO_U
        columns[name], columns[f"{name}_u"] = value * scale, np.hypot(u * abs(scale), gain_u * np.abs(value * scale))
        lost = np.where(np.isfinite(value), missing("no_scale"), missing("not_visible"))
        columns[f"{name}_flag"] = np.where(np.isfinite(columns[name]), OK, lost).astype(object)
    return columns


def _measure_voltages(
    channel: Channel, firings: Firings, instants: Instants, condition: ChannelCondition,
    columns: dict[str, Column], levels: NDArray, source: NDArray, words: list[list[str]],
    coupling_u: float,
) -> None:
    windows = FiringWindows(channel, firings, instants, condition)
    levels[:, 1], levels[:, 2] = windows.noise, windows.droop_rate
    for batch in windows.batches():
        rows = batch.rows
        sign = firings.polarity[rows].astype(float)
        breakdown_u = np.nan_to_num(instants.breakdown.u[rows], nan=0.5)
        end_u = np.nan_to_num(instants.burn_end.u[rows], nan=0.5)
        peak = measure_peak(batch, sign, breakdown_u, windows.noise, condition.step, coupling_u)
        sign = np.where(sign == 0, np.where(np.isfinite(peak.peak), np.sign(peak.peak), 1.0), sign)
        burn = measure_burn(batch, windows, breakdown_u, end_u, coupling_u)
        ring = measure_oscillation(batch, windows, sign, peak.peak_column, burn.end_level)
        levels[rows, 0] = batch.baseline
        source[rows] = batch.baseline_source
        grounded = batch.baseline_source != "none"
        _fill_peak(columns, rows, peak, grounded, instants)
        _fill_burn(columns, rows, burn, grounded, instants)
        _fill_ring(columns, rows, ring, instants, channel.sample_rate_Hz, windows.droop_rate_u)
        for k, row in enumerate(rows):
            if peak.clipped[k]:
                words[row].append("clipped")
            if ring.soft_end[k] and instants.sparked[row] in ("yes", "flash"):
                words[row].append("soft_end")


def _put(column: Column, rows: NDArray, value: NDArray, u: NDArray, flag: NDArray) -> None:
    """Write values with a symmetric 95 % interval; whatever is not finite keeps only its flag."""
    given = (flag == OK) | (flag == LOWER_BOUND)
    good = np.isfinite(value) & given
    flag = np.where(~good & given, missing("not_visible"), flag)
    column.value[rows] = np.where(good, value, np.nan)
    column.u[rows] = np.where(good, u, np.nan)
    column.lo[rows] = np.where(good, value - 1.96 * u, np.nan)
    column.hi[rows] = np.where(good, value + 1.96 * u, np.nan)
    column.flag[rows] = flag


def _why_no_burn(instants: Instants, rows: NDArray) -> NDArray:
    """Return the flag a quantity of the burn carries for want of its instants, ``ok`` when both are there."""
    flag = np.full(len(rows), OK, dtype=object)
    for instant in (instants.burn_end, instants.breakdown):
        lost = ~np.isfinite(instant.position[rows])
        flag = np.where(lost, instant.flag[rows], flag)
    flag = np.where((flag == OK) | np.char.startswith(flag.astype(str), "missing:"), flag, missing("not_judged"))
    return np.where(instants.sparked[rows] == "no", missing("no_spark"), flag)


def _fill_peak(
    columns: dict[str, Column], rows: NDArray, peak: PeakReading, grounded: NDArray, instants: Instants
) -> None:
    flag = np.where(peak.peak_bound, LOWER_BOUND, OK).astype(object)
    _put(columns["peak_voltage"], rows, peak.peak, peak.peak_u, np.where(grounded, flag, missing("no_baseline")))
    flag = np.where(peak.firing_bound, LOWER_BOUND, OK).astype(object)
    flag = np.where(grounded, flag, missing("no_baseline"))
    lost = ~np.isfinite(instants.breakdown.position[rows])
    flag = np.where(lost, instants.breakdown.flag[rows], flag)
    flag = np.where(instants.sparked[rows] == "no", missing("no_spark"), flag)
    _put(columns["firing_voltage"], rows, peak.firing, peak.firing_u, flag)
    for name in ("peak_voltage", "firing_voltage"):
        column = columns[name]
        bound = rows[column.flag[rows] == LOWER_BOUND]
        # A lower bound in magnitude has no upper end.
        up = column.value[bound] > 0
        column.hi[bound] = np.where(up, np.inf, column.hi[bound])
        column.lo[bound] = np.where(up, column.lo[bound], -np.inf)


def _fill_burn(
    columns: dict[str, Column], rows: NDArray, burn: BurnReading, grounded: NDArray, instants: Instants
) -> None:
    why = _why_no_burn(instants, rows)
    for name, field in _BURN.items():
        value, u = getattr(burn, field), getattr(burn, f"{field}_u")
        flag = np.where((why == OK) & ~np.isfinite(value), missing("under_sampled"), why)
        flag = np.where((flag == OK) & burn.clipped, missing("clipped"), flag)
        if name == "burn_voltage":
            flag = np.where((flag == OK) & ~grounded, missing("no_baseline"), flag)
        _put(columns[name], rows, value, u, flag)
    hash_column = columns["burn_hash"]
    hash_column.lo[rows] = np.maximum(hash_column.lo[rows], 0.0)


def _fill_ring(
    columns: dict[str, Column], rows: NDArray, ring: RingReading, instants: Instants, rate_Hz: float,
    droop_rate_u: float,
) -> None:
    fit = ring.fit
    flag = np.where(fit.ok, OK, missing("no_ring")).astype(object)
    flag = np.where(fit.ok & (fit.frequency_Hz > 0.4 * rate_Hz), missing("under_sampled"), flag)
    flag = np.where(ring.recorded, flag, missing("cut_end"))
    flag = np.where(ring.struck_again, missing("not_visible"), flag)
    why = _why_no_burn(instants, rows)
    flag = np.where(~ring.begun, np.where(why == OK, missing("not_judged"), why), flag)
    _put(columns["ring_frequency"], rows, fit.frequency_Hz, fit.frequency_u_Hz, flag)
    # A droop rate wrong by d adds d/2 to the decay of a ring: v = y + g x integral of y, to first order in g/w.
    omega = 2 * np.pi * np.where(fit.ok, fit.frequency_Hz, 1.0)
    damping_u = np.hypot(fit.damping_ratio_u, 0.5 * droop_rate_u / omega)
    _put(columns["ring_damping_ratio"], rows, fit.damping_ratio, damping_u, flag)
    bound = (flag == OK) & ((fit.hidden_cycles > 0) | fit.cut)
    counted = np.where(bound, LOWER_BOUND, flag)
    _put(columns["ring_cycles"], rows, fit.cycles, (fit.cycles_hi - fit.cycles_lo) / 4.0, counted)
    columns["ring_cycles"].lo[rows] = np.where(flag == OK, fit.cycles_lo, np.nan)
    columns["ring_cycles"].hi[rows] = np.where(flag == OK, np.where(fit.cut, np.inf, fit.cycles_hi), np.nan)
    _put(columns["ring_hidden_cycles"], rows, fit.hidden_cycles, (fit.cycles_hi - fit.cycles_lo) / 4.0, flag)
    columns["ring_hidden_cycles"].lo[rows] = np.maximum(columns["ring_hidden_cycles"].lo[rows], 0.0)


def _flag_words(
    channel: Channel, instants: Instants, intervals: NDArray, words: list[list[str]]
) -> list[list[str]]:
    """Add to the words of each firing those that follow from its instants."""
    n = len(instants)
    again = np.zeros(n, dtype=bool)
    again[instants.intervals.firing[instants.intervals.strike > 0]] = True
    on, end = instants.coil_on.flag, instants.burn_end.flag
    tests = {
        "cut": (on == missing("cut_start")) | (end == missing("cut_end"))
        | (instants.coil_off.flag == missing("cut_start")),
        "repeat_strike": again,
        "restrike": intervals > 1,
        "no_dwell": ~np.isfinite(instants.coil_on.position) & (on != missing("cut_start")),
        "low_rate": np.full(n, channel.sample_rate_Hz < LOW_RATE_HZ),
    }
    if channel.kind == "synchronising_pulse":
        tests.pop("no_dwell")
    for word, which in tests.items():
        for row in np.flatnonzero(which):
            words[row].append(word)
    return words
