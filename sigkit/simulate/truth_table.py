"""The truth of simulated captures as tables: one row a firing of a channel, one row a conduction interval."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sigkit.simulate.condition_onsets import beyond_onset, dominant_condition
from sigkit.simulate.engine_run import EngineRun
from sigkit.simulate.event_drivers import EventDrivers
from sigkit.simulate.event_truth import EventTruth
from sigkit.types.firing_table import CONDITIONS, INTERVAL_COLUMNS, Table

_TEXT = ("capture", "channel", "kind", "engine", "coil", "cylinder", "lead", "role", "ignition_type", "sparked",
         "condition", "lead_condition", "partner_condition", "recording")  # fmt: skip
_FLAGS = ("on_record", "absent", "soft_end", "cut", "clipped", "measurable", "reversed_polarity", "flashed_over")
_INTEGERS = ("firing", "event", "polarity", "conduction_intervals", "restrikes", "repeat_strikes",
             "cylinders", "bits")  # fmt: skip
_NUMBERS = (
    "time_s", "coil_on_s", "coil_off_s", "breakdown_s", "burn_end_s", "burn_time_ms", "dwell_time_ms",
    "conduction_time_ms", "peak_voltage_V", "firing_voltage_V", "burn_voltage_V", "burn_slope_V_per_ms",
    "ring_frequency_Hz", "ring_damping_ratio", "coil_current_peak_A",
    "stored_energy_mJ", "gap_energy_mJ", "engine_speed_rpm", "load", "missing_rate", "sample_rate_Hz",
    "bandwidth_Hz", "noise_V", "full_scale_low_V", "full_scale_high_V", "pickup_ratio",
    "pickup_time_constant_s",
)  # fmt: skip

#: Columns of the truth table, in order; each severity follows as ``severity_<condition>``.
TRUTH_COLUMNS = (
    "capture", "recording", "channel", "kind", "firing", "event", "engine", "coil", "cylinder", "lead", "role",
    "polarity", "ignition_type", "cylinders", "time_s", "sparked", "on_record", "absent", "coil_on_s",
    "coil_off_s", "breakdown_s", "burn_end_s", "burn_time_ms", "dwell_time_ms", "conduction_intervals",
    "conduction_time_ms", "restrikes", "repeat_strikes", "soft_end", "flashed_over", "peak_voltage_V",
    "firing_voltage_V", "burn_voltage_V", "burn_slope_V_per_ms", "ring_frequency_Hz", "ring_damping_ratio",
    "coil_current_peak_A", "stored_energy_mJ", "gap_energy_mJ",
    "engine_speed_rpm", "load", "condition", "lead_condition", "partner_condition", "reversed_polarity",
    "missing_rate", "cut", "clipped",
    "measurable", "sample_rate_Hz", "bits", "bandwidth_Hz", "noise_V", "full_scale_low_V",
    "full_scale_high_V", "pickup_ratio", "pickup_time_constant_s",
) + tuple(f"severity_{name}" for name in CONDITIONS[1:])  # fmt: skip


@dataclass(frozen=True, eq=False)
class RunTruth:
    """What is known of every event of a run. Arrays have shape (n,), or (n, 2) for the ends.

    Attributes
    ----------
    run : EngineRun
    drivers : EventDrivers
        With conditions applied.
    severity : dict of str to ndarray, shape (n, 2)
    condition : ndarray of str, shape (n, 2)
    lead_condition : ndarray of str, shape (n, 2)
        The condition most of the lead's firings have that have any.
    row : ndarray of int, shape (n,)
        Row of the event in ``truth``, -1 for a missing firing.
    truth : EventTruth
    """

    run: EngineRun
    drivers: EventDrivers
    severity: dict[str, NDArray]
    condition: NDArray
    lead_condition: NDArray
    row: NDArray
    truth: EventTruth


def judge_run(
    run: EngineRun, drivers: EventDrivers, severity: dict[str, NDArray], row: NDArray, truth: EventTruth
) -> RunTruth:
    """Put together what is known of the events of a run."""
    condition = dominant_condition(drivers)
    beyond = np.stack(list(beyond_onset(drivers).values())).max(axis=0)
    lead_condition = condition.copy()
    for coil in range(len(run.engine.coils)):
        for end in range(2):
            own = run.coil == coil
            named = np.flatnonzero(own & (condition[:, end] != "normal"))
            if named.size:
                names, counts = np.unique(condition[named, end], return_counts=True)
                worst = names[counts == counts.max()]
                best = named[np.isin(condition[named, end], worst)]
                lead_condition[own, end] = condition[best[beyond[best, end].argmax()], end]
    return RunTruth(run, drivers, severity, condition, lead_condition, row, truth)


@dataclass(frozen=True, eq=False)
class ChannelView:
    """One channel of one record, as far as the truth must know it.

    Attributes
    ----------
    capture, recording, channel, kind : str
    coil, end : int
        Coil shown, and end of the lead; -1 for the primary side.
    gain : float
        Signed, from circuit to recorder input.
    start_s : float
        Engine time of sample 0.
    axis_s : float
        The same instant on the capture's own time axis.
    sample_rate_Hz : float
    at_limit : ndarray of bool, shape (samples,)
    peak : dict of int to float
        Largest excursion of events of the primary side, by event, in units of the circuit.
    columns : dict of str to object
        Constant columns (bits, bandwidth_Hz, ...).
    """

    capture: str
    recording: str
    channel: str
    kind: str
    coil: int
    end: int
    gain: float
    start_s: float
    axis_s: float
    sample_rate_Hz: float
    at_limit: NDArray[np.bool_]
    delay_s: float
    peak: NDArray[np.float64] | None
    columns: dict[str, float]


def empty_truth(n: int = 0) -> Table:
    """Return a truth table of n rows without content."""
    table: Table = {}
    for name in TRUTH_COLUMNS:
        if name in _TEXT:
            table[name] = np.full(n, "", dtype=object)
        elif name in _FLAGS:
            table[name] = np.zeros(n, dtype=bool)
        elif name in _INTEGERS:
            table[name] = np.zeros(n, dtype=np.int64)
        else:
            table[name] = np.zeros(n) if name.startswith("severity_") else np.full(n, np.nan)
    return table


def events_on_record(known: RunTruth, coils: NDArray, start_s: float, stop_s: float) -> NDArray[np.int64]:
    """Return the events of some coils of which a record shows coil_off, or burn, or dwell in part.

    Missing firings count when their coil_off would have been on the record.
    """
    run, row = known.run, known.row
    first, last = run.off_s.copy(), run.off_s.copy()
    real = row >= 0
    first[real] += known.truth.coil_on_s[row[real], 0]
    with np.errstate(invalid="ignore"):
        last[real] += np.nan_to_num(np.fmax(known.truth.burn_end_s[row[real], 0],
                                            known.truth.burn_end_s[row[real], 1]), nan=0.0)  # fmt: skip
    return np.flatnonzero(np.isin(run.coil, coils) & (first < stop_s) & (last > start_s))


def channel_truth(view: ChannelView, known: RunTruth, events: NDArray, number: NDArray) -> tuple[Table, Table]:
    """Return the rows of one channel of one record.

    Parameters
    ----------
    view : ChannelView
    known : RunTruth
    events : ndarray of int, shape (m,)
        Events of this channel's coil on the record (`events_on_record`).
    number : ndarray of int, shape (m,)
        Their numbers in the capture, -1 for missing firings.

    Returns
    -------
    truth, intervals : Table
        Instants on the capture's own time axis. They are the physical ones: pickup and recorder delay
        what is seen (for a slow signal by ``delay_s`` of the recorder).
    """
    run, truth, n = known.run, known.truth, events.size
    table = empty_truth(n)
    secondary = view.kind == "secondary_voltage"
    end = np.full(n, view.end) if secondary else run.power_end[events] * run.engine.shared
    at = np.arange(n)
    row = known.row[events]
    real = row >= 0
    safe = np.where(real, row, 0)
    shift = run.off_s[events] - view.start_s + view.axis_s

    def of(values: NDArray, fill: float = np.nan) -> NDArray:
        return np.where(real, values, fill)

    on_s = of(truth.coil_on_s[safe, 0] + shift)
    off_s = np.where(real, shift, np.nan)
    breakdown_s = of(truth.breakdown_s[safe, end] + shift)
    burn_end_s = of(truth.burn_end_s[safe, end] + shift)
    sparked = np.where(real, truth.spark[safe, end], "no")
    power = end == run.power_end[events]
    cylinders = np.array(
        ["" if not secondary and run.engine.shared else str(run.engine.coils[view.coil][k]) for k in end]
    )
    for name, value in view.columns.items():
        table[name][:] = value
    table["capture"][:] = view.capture
    table["recording"][:] = view.recording
    table["channel"][:] = view.channel
    table["kind"][:] = view.kind
    table["firing"] = at
    table["event"] = number
    table["engine"][:] = run.engine.name
    table["coil"][:] = str(view.coil + 1)
    table["cylinder"] = cylinders.astype(object)
    table["lead"] = cylinders.astype(object) if secondary else np.full(n, "", dtype=object)
    table["role"][:] = np.where(power, "power", "waste") if run.engine.shared else "single"
    sign = known.drivers.parameters.winding_sign[events] * np.where(end == 0, 1, -1)
    # Primary spike and coil current are positive in the circuit whatever the winding.
    table["polarity"][:] = np.sign(view.gain) * (sign if secondary else 1)
    table["ignition_type"][:] = run.engine.ignition_type
    table["cylinders"][:] = len(run.engine.firing_order)
    table["time_s"] = shift
    table["sparked"] = sparked.astype(object)
    table["absent"] = ~real
    table["coil_on_s"], table["coil_off_s"] = on_s, off_s
    table["breakdown_s"], table["burn_end_s"] = breakdown_s, burn_end_s
    table["burn_time_ms"] = (burn_end_s - breakdown_s) * 1e3
    table["dwell_time_ms"] = (off_s - on_s) * 1e3
    table["restrikes"] = of(truth.restrikes[safe, end], 0).astype(np.int64)
    table["repeat_strikes"] = of(np.isfinite(truth.coil_off_s[safe]).sum(axis=1) - 1, 0).astype(np.int64)
    table["soft_end"] = real & truth.soft_end[safe, end]
    over = np.zeros((len(truth), 2), dtype=bool)
    beside = (truth.interval_path == 1) & (truth.interval_strike == 0)
    over[truth.interval_event[beside], truth.interval_end[beside]] = True
    table["flashed_over"] = real & over[safe, end]
    if secondary:
        for column, values in (
            ("peak_voltage_V", truth.peak_voltage_V), ("firing_voltage_V", truth.firing_voltage_V),
            ("burn_voltage_V", truth.burn_voltage_V),
        ):  # fmt: skip
            table[column] = of(values[safe, end] * view.gain)
        # Positive where the burn line grows away from zero.
        growing = np.sign(truth.burn_voltage_V[safe, end]) * truth.burn_slope_V_per_s[safe, end]
        table["burn_slope_V_per_ms"] = of(growing * abs(view.gain) * 1e-3)
        table["ring_frequency_Hz"] = of(truth.ring_frequency_Hz[safe])
        table["ring_damping_ratio"] = of(truth.ring_damping_ratio[safe])
    elif view.peak is not None and view.kind == "primary_voltage":
        table["peak_voltage_V"] = of(view.peak[events] * view.gain)
    table["coil_current_peak_A"] = of(truth.peak_current_A[safe])
    table["stored_energy_mJ"] = of(truth.stored_energy_J[safe] * 1e3)
    table["gap_energy_mJ"] = of(truth.gap_energy_J[safe, end] * 1e3)
    table["engine_speed_rpm"] = run.speed_rpm[events]
    table["load"][:] = run.load
    table["condition"] = known.condition[events, end]
    table["lead_condition"] = known.lead_condition[events, end]
    if run.engine.shared:
        table["partner_condition"] = known.condition[events, 1 - end]
    table["reversed_polarity"] = run.engine.reversed_polarity[run.coil[events]]
    table["missing_rate"] = run.engine.missing_rate[run.coil[events]]
    for name, values in known.severity.items():
        table[f"severity_{name}"] = values[events, end]

    def position(instant_s: NDArray) -> NDArray:
        return (instant_s - view.axis_s) * view.sample_rate_Hz

    last = view.at_limit.size - 1

    def on_record(instant_s: NDArray) -> NDArray:
        where = position(instant_s)
        return (where >= 0) & (where <= last)

    def limited(instant_s: NDArray) -> NDArray:
        """Tell whether a sample next to the instant, or to where its delayed image lies, is at the limit."""
        usable = np.where(np.isfinite(instant_s), position(instant_s), -10.0)
        low = np.clip(np.floor(usable), 0, last).astype(int)
        high = np.clip(np.ceil(usable + view.delay_s * view.sample_rate_Hz), 0, last).astype(int)
        before = np.concatenate([[0], np.cumsum(view.at_limit)])
        return on_record(instant_s) & (before[high + 1] > before[low])

    table["on_record"] = on_record(shift)
    ends = np.where(np.isfinite(burn_end_s), burn_end_s, off_s)
    table["cut"] = real & ~(on_record(on_s) & on_record(ends))
    table["clipped"] = limited(off_s) | limited(breakdown_s) | limited(burn_end_s)
    sees = limited(breakdown_s) | limited(burn_end_s)
    table["measurable"] = (sparked == "yes") & on_record(breakdown_s) & on_record(burn_end_s) & ~sees
    if view.kind == "coil_current":
        table["measurable"][:] = False  # the current shows dwell, not the burn
    intervals = _intervals(view, truth, row, end, shift)
    _count_intervals(table, intervals)
    return table, intervals


def _intervals(view: ChannelView, truth: EventTruth, row: NDArray, end: NDArray, shift: NDArray) -> Table:
    """Return all conduction intervals of a channel's firings, gap and insulation alike, in time order.

    A flash-over of the insulation looks on the lead like a spark in its gap; the truth's ``flashed_over`` tells them
    apart. A spark at switch-on has strike -1.
    """
    place = np.full(len(truth), -1)
    place[row[row >= 0]] = np.flatnonzero(row >= 0)
    firing = place[truth.interval_event]
    chosen = np.flatnonzero(firing >= 0)
    chosen = chosen[truth.interval_end[chosen] == end[firing[chosen]]]
    order = np.lexsort((truth.interval_start_s[chosen], firing[chosen]))
    chosen = chosen[order]
    firing = firing[chosen]
    strike = truth.interval_strike[chosen]
    group = firing * 1000 + strike
    new = np.concatenate([[True], group[1:] != group[:-1]]) if group.size else np.zeros(0, dtype=bool)
    start = np.flatnonzero(new)
    number = np.arange(group.size) - np.repeat(start, np.diff(np.append(start, group.size)))
    table: Table = {
        "capture": np.full(chosen.size, view.capture, dtype=object),
        "channel": np.full(chosen.size, view.channel, dtype=object),
        "firing": firing,
        "strike": strike,
        "interval": number,
        "start_s": truth.interval_start_s[chosen] + shift[firing],
        "stop_s": truth.interval_stop_s[chosen] + shift[firing],
        "start_u_s": np.zeros(chosen.size),
        "stop_u_s": np.zeros(chosen.size),
    }
    return {name: table[name] for name in INTERVAL_COLUMNS}


def _count_intervals(table: Table, intervals: Table) -> None:
    """Fill in number and duration of the first discharge's conduction intervals, after-flashes left out."""
    n = table["firing"].size
    first = (intervals["strike"] == 0) & (intervals["start_s"] < table["burn_end_s"][intervals["firing"]])
    firing = intervals["firing"][first]
    length_ms = (intervals["stop_s"] - intervals["start_s"])[first] * 1e3
    table["conduction_intervals"] = np.bincount(firing, minlength=n)[:n].astype(np.int64)
    table["conduction_time_ms"] = np.bincount(firing, weights=length_ms, minlength=n)[:n]
