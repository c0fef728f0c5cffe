"""Record a run: every input through pickup, front end, range and quantiser, with its rows of truth."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sigkit.simulate.event_waveforms import EventWaveforms
from sigkit.simulate.instrument import choose_range, disturb, limit, quantise
from sigkit.simulate.pickup import Pickup
from sigkit.simulate.record_windows import RecordClock, record_signal
from sigkit.simulate.recording_plan import RecordingPlan
from sigkit.simulate.study_recipe import StudyRecipe
from sigkit.simulate.truth_table import ChannelView, RunTruth, channel_truth, events_on_record
from sigkit.types.capture import Capture
from sigkit.types.channel import Channel
from sigkit.types.firing_table import Table, concatenate

#: Height and length of the synchronising pulse (our choice: logic level, a few degrees).
_SYNC_V, _SYNC_S = 5.0, 1e-3


class _Input:
    """One channel of a recording before it is quantised."""

    def __init__(self, name: str, kind: str, coil: int, end: int, pickup: Pickup, records: NDArray,
                 peak: NDArray | None = None) -> None:  # fmt: skip
        self.name, self.kind, self.coil, self.end = name, kind, coil, end
        self.pickup, self.records, self.peak = pickup, records, peak


def record_engine(
    known: RunTruth,
    plan: RecordingPlan,
    waveforms: EventWaveforms,
    recipe: StudyRecipe,
    rng: np.random.Generator,
) -> list[tuple[Capture, Table, Table]]:
    """Record a run as planned.

    Parameters
    ----------
    known : RunTruth
    plan : RecordingPlan
    waveforms : EventWaveforms
        Of (at least) the events ``known.row`` points to.
    recipe : StudyRecipe
    rng : numpy.random.Generator

    Returns
    -------
    list of (Capture, truth, intervals)
        One continuous capture, or one for each sweep.
    """
    made = []
    for label, coil, clock, axis_s in _clocks(known, plan, recipe, rng):
        inputs = _inputs(known, plan, waveforms, clock, coil)
        made += _captures(known, plan, recipe, clock, axis_s, label, inputs, rng)
    return made


def _clocks(
    known: RunTruth, plan: RecordingPlan, recipe: StudyRecipe, rng: np.random.Generator
) -> list[tuple[str, int, RecordClock, float]]:
    """Return label, coil (-1 for all), sample clock and start on the capture's axis of each recording."""
    run, rate = known.run, plan.instrument.sample_rate_Hz
    if plan.recording == "sweeps":
        result = []
        shown = {run.engine.leads[place][1] for place in plan.lead_places}
        shown |= set(plan.primary_coils) | set(plan.current_coils)
        for coil in sorted(shown):
            events = np.flatnonzero((run.coil == coil) & (known.row >= 0))
            if events.size == 0:
                continue
            # The level is crossed a little behind coil_off; the clock is not synchronised with it.
            trigger = run.off_s[events] + rng.uniform(1e-6, 15e-6, events.size)
            before = round(plan.sweep_before_s * rate)
            count = before + round(plan.sweep_after_s * rate)
            start = trigger - before / rate - rng.random(events.size) / rate
            result.append((f"{plan.name}-coil{coil + 1}", coil, RecordClock(start, rate, count), -before / rate))
        return result
    p = known.drivers.parameters
    period = run.off_s[-1] / max(len(run) - 1, 1) if len(run) > 1 else 60.0 / run.speed_rpm[0]
    if plan.cut:
        begin = rng.uniform(-p.dwell_s[0], 1e-3)
        end = run.off_s[-1] + rng.uniform(-0.5 * p.dwell_s[-1], 1.2e-3)
    else:
        begin = -p.dwell_s[0] - 0.3e-3 - rng.uniform(0.0, 0.5) * period
        end = run.off_s[-1] + 6e-3 + rng.uniform(0.0, 0.5) * period
    count = min(max(int((end - begin) * rate), 16), max(recipe.max_samples, 16))
    axis = 0.0 if plan.axis_from_zero else float(np.round(rng.uniform(-1.0, 1.0), 3))
    start_s = np.array([begin - rng.random() / rate])
    return [(plan.name, -1, RecordClock(start_s, rate, count), axis)]


def _inputs(
    known: RunTruth, plan: RecordingPlan, waveforms: EventWaveforms, clock: RecordClock, only_coil: int
) -> list[_Input]:
    """Record every input of the plan; in sweeps only those of the coil that triggers."""
    run, engine = known.run, known.run.engine
    p = known.drivers.parameters
    leads = engine.leads
    period = float(np.median(run.coil_period_s))

    def record(coil: int, signal: str, end: int, rest: NDArray, pickup: Pickup) -> tuple[NDArray, NDArray]:
        events = np.flatnonzero((run.coil == coil) & (known.row >= 0))
        rows = known.row[events]
        kink = waveforms.truth.breakdown_s[rows, end]
        records, peak = record_signal(
            waveforms, rows, np.full(events.size, signal), run.off_s[events], kink, rest[events], clock,
            pickup, plan.instrument, period,
        )  # fmt: skip
        of_event = np.full(len(run), np.nan)
        of_event[events] = peak
        return records, of_event

    inputs: list[_Input] = []
    nothing = np.zeros(len(run))
    raw: dict[int, NDArray] = {}
    shown = [place for place in plan.lead_places if only_coil in (-1, leads[place][1])]
    for place in sorted(set(shown) | {int(k) for s in shown for k in plan.crosstalk.into(s)}):
        _, coil, end = leads[place]
        raw[place], _ = record(coil, f"tower_{end}_V", end, nothing, plan.lead_pickups[place])
    for place in shown:
        cylinder, coil, end = leads[place]
        records = plan.crosstalk.mix(place, raw, clock.sample_rate_Hz)
        inputs.append(_Input(f"lead_{cylinder}", "secondary_voltage", coil, end, plan.lead_pickups[place], records))
    for kind, coils, signal, rest, pickup in (
        ("primary_voltage", plan.primary_coils, "primary_voltage_V", p.supply_V, plan.primary_pickup),
        ("coil_current", plan.current_coils, "coil_current_A", nothing, plan.current_pickup),
    ):
        for coil in coils:
            if only_coil in (-1, coil):
                records, peak = record(coil, signal, 0, rest, pickup)
                name = f"{'primary' if kind == 'primary_voltage' else 'current'}_{coil + 1}"
                inputs.append(_Input(name, kind, coil, -1, pickup, records, peak))
    if plan.synchronised:
        inputs.append(_Input("synchronising", "synchronising_pulse", -1, -1, Pickup(1.0), _pulses(known, clock)))
    return inputs


def _pulses(known: RunTruth, clock: RecordClock) -> NDArray[np.float64]:
    """Return the pulse that marks each working cycle at the ignition of cylinder 1."""
    run = known.run
    coil, end = run.engine.place_of(1)
    begins = run.off_s[(run.coil == coil) & (run.power_end == end)]
    time = clock.start_s[:, None] + np.arange(clock.count) / clock.sample_rate_Hz
    last = np.searchsorted(begins, time, side="right") - 1
    since = time - begins[np.maximum(last, 0)]
    return np.where((last >= 0) & (since < _SYNC_S), _SYNC_V, 0.0)


def _captures(
    known: RunTruth, plan: RecordingPlan, recipe: StudyRecipe, clock: RecordClock, axis_s: float, label: str,
    inputs: list[_Input], rng: np.random.Generator,
) -> list[tuple[Capture, Table, Table]]:  # fmt: skip
    """Range, disturb, clip and quantise the inputs; cut them into captures with their truth."""
    instrument, engine = plan.instrument, known.run.engine
    finished = []
    ranges: dict[str, tuple[float, float]] = {}
    for one in inputs:
        if one.kind not in ranges:
            same = [other.records for other in inputs if other.kind == one.kind]
            low, high = min(r.min() for r in same), max(r.max() for r in same)
            ranges[one.kind] = choose_range(float(low), float(high), instrument, rng)
        full_scale = ranges[one.kind]
        half = 0.5 * (full_scale[1] - full_scale[0])
        values = limit(disturb(one.records, half, instrument, rng), full_scale, instrument)
        if recipe.quantised:
            codes, scale, zero = quantise(values, full_scale, instrument.bits)
            top = 2 ** (instrument.bits - 1)
            at_limit = (codes == -top) | (codes == top - 1)
            stored: NDArray = codes
            if instrument.stored == "float32":
                stored, scale, zero = ((codes - zero) * scale).astype(np.float32), 1.0, 0.0
        else:
            at_limit = (values <= full_scale[0]) | (values >= full_scale[1])
            stored, scale, zero = values.astype(np.float32), 1.0, 0.0
        finished.append((one, full_scale, half, stored, scale, zero, at_limit))

    made = []
    sweeps = plan.recording == "sweeps"
    for record in range(clock.start_s.size):
        name = f"{label}#sweep-{record + 1}" if sweeps else label
        start, stop = float(clock.start_s[record]), float(clock.stop_s[record])
        coils = np.array([one.coil for one, *_ in finished])
        events = events_on_record(known, coils, start, stop)
        real = known.row[events] >= 0
        number = np.where(real, np.cumsum(real) - 1, -1)
        channels, truths, intervals = [], [], []
        for one, full_scale, half, stored, scale, zero, at_limit in finished:
            cylinder, lead = "", ""
            if one.kind == "secondary_voltage":
                cylinder = lead = str(engine.coils[one.coil][one.end])
            channels.append(
                Channel(
                    name=one.name, samples=stored[record], sample_rate_Hz=clock.sample_rate_Hz, start_s=axis_s,
                    scale=scale, zero=zero, unit="V", kind=one.kind,
                    full_scale=full_scale if plan.full_scale_known else None,
                    lead=lead, cylinder=cylinder, coil=str(one.coil + 1) if one.coil >= 0 else "",
                    pickup_ratio=one.pickup.ratio if plan.ratio_known else None,
                )
            )  # fmt: skip
            if one.kind == "synchronising_pulse":
                continue
            own = known.run.coil[events] == one.coil
            view = ChannelView(
                capture=name, recording=label, channel=one.name, kind=one.kind, coil=one.coil, end=one.end,
                gain=one.pickup.gain, start_s=start, axis_s=axis_s, sample_rate_Hz=clock.sample_rate_Hz,
                at_limit=at_limit[record], delay_s=instrument.delay_s, peak=one.peak,
                columns={
                    "sample_rate_Hz": clock.sample_rate_Hz, "bits": instrument.bits,
                    "bandwidth_Hz": instrument.bandwidth_Hz, "noise_V": half * instrument.noise,
                    "full_scale_low_V": full_scale[0], "full_scale_high_V": full_scale[1],
                    "pickup_ratio": one.pickup.ratio, "pickup_time_constant_s": one.pickup.time_constant_s,
                },
            )  # fmt: skip
            rows, conducting = channel_truth(view, known, events[own], number[own])
            truths.append(rows)
            intervals.append(conducting)
        capture = Capture(
            name=name, channels=tuple(channels), source=name, format="simulated",
            recording=label, sweep=record + 1 if sweeps else 0, engine=engine.name,
            ignition_type=engine.ignition_type, engine_speed_rpm=float(np.round(known.run.speed_rpm.mean())),
            shared_coil_pairs=tuple(tuple(map(str, pair)) for pair in engine.coils) if engine.shared else (),
            firing_order=tuple(map(str, engine.firing_order)), note="simulated",
        )  # fmt: skip
        made.append((capture, concatenate(truths), concatenate(intervals)))
    return made
