"""Simulated captures carry a truth that agrees with what is recorded, and are the same for every worker count."""

from __future__ import annotations

import dataclasses
import functools

import numpy as np
import pytest

from sigkit.errors import SettingsError
from sigkit.simulate import simulated_capture
from sigkit.simulate.circuit_parameters import concatenate
from sigkit.simulate.engine import draw_engine
from sigkit.simulate.event_drivers import circuit
from sigkit.simulate.integrate_circuit import integrate_circuit
from sigkit.simulate.pickup import Crosstalk, Pickup
from sigkit.simulate.record_engine import record_engine
from sigkit.simulate.simulated_capture import (
    SimulatedCapture,
    iterate_captures,
    plan_runs,
    simulate_captures,
    stack_truth,
)
from sigkit.simulate.study_recipe import StudyRecipe
from sigkit.simulate.truth_table import TRUTH_COLUMNS, judge_run
from sigkit.types.channel import Channel
from sigkit.types.firing_table import INTERVAL_COLUMNS, Table, row_count

MIXED = StudyRecipe(engines=14, cylinders=(1, 2, 3, 4), firings_per_lead=4, sample_rates_Hz=(20e3, 100e3, 500e3),
                    max_samples=200_000, missing_share=0.5, cut_share=0.4, sync_share=0.3,
                    range_shares=(0.6, 0.3, 0.1))  # fmt: skip
CLEAN = StudyRecipe(engines=1, cylinders=(4,), ignition_types=("shared_coil",), engine_speed_rpm=(1500.0, 1500.0),
                    load=(0.4, 0.4), firings_per_lead=4, sample_rates_Hz=(1e6,), recordings=("continuous",),
                    channel_sets=("secondary+primary+current",), faulty_share=0.0, reversed_share=0.0,
                    missing_share=0.0, cut_share=0.0, sync_share=0.0, nuisance=0.0, quantised=False,
                    range_shares=(1.0, 0.0, 0.0))  # fmt: skip


@pytest.fixture(scope="module")
def mixed() -> list[SimulatedCapture]:
    return simulate_captures(MIXED, 11)


@functools.cache
def run_of(recipe: StudyRecipe, seed: int) -> tuple:
    """Return one engine's planned run, what is known of it and its waveforms; without repeat strikes."""
    root = np.random.SeedSequence(seed)
    rng = np.random.default_rng(root)
    engine = draw_engine(recipe, rng, "ferry")
    engine = dataclasses.replace(engine, coil={**engine.coil, "repeat_strikes": np.zeros(len(engine.coils), dtype=int)})
    planned = plan_runs(recipe, engine, rng, root)[0]
    waveforms = integrate_circuit(concatenate([circuit(planned.drivers.take(planned.needed))]),
                                  np.random.default_rng(1), after_s=7e-3)  # fmt: skip
    row = np.full(len(planned.run), -1)
    row[planned.needed] = np.arange(planned.needed.size)
    known = judge_run(planned.run, planned.drivers, planned.severity, row, waveforms.truth)
    return planned.plan, known, waveforms


def made_with(recipe: StudyRecipe, instrument_changes: dict | None = None, **plan_changes: object) -> list:
    """Simulate one engine with parts of the recording plan set by hand; pickups couple to zero frequency."""
    plan, known, waveforms = run_of(recipe, 5)
    leads = len(known.run.engine.leads)
    recorder = {"bandwidth_Hz": 1e6, "poles": 1, "shift": 0.0, **(instrument_changes or {})}
    settings: dict = {
        "lead_pickups": [Pickup(1000.0)] * leads,
        "crosstalk": Crosstalk(np.zeros((leads, leads)), np.zeros((leads, leads))),
        "instrument": dataclasses.replace(plan.instrument, **recorder),
        **plan_changes,
    }
    own = dataclasses.replace(plan, **settings)
    return [SimulatedCapture(*one) for one in record_engine(known, own, waveforms, recipe, np.random.default_rng(2))]


def channel_of(one: SimulatedCapture, name: str) -> Channel:
    return next(channel for channel in one.capture.channels if channel.name == name)


def rows_of(table: Table, channel: str) -> Table:
    own = table["channel"] == channel
    return {name: column[own] for name, column in table.items()}


@pytest.fixture(scope="module")
def clean() -> SimulatedCapture:
    return made_with(CLEAN)[0]


def same(one: list[SimulatedCapture], two: list[SimulatedCapture]) -> None:
    assert [a.capture.name for a in one] == [b.capture.name for b in two]
    for a, b in zip(one, two, strict=True):
        for x, y in zip(a.capture.channels, b.capture.channels, strict=True):
            assert np.array_equal(x.samples, y.samples)
            assert (x.name, x.start_s, x.scale, x.zero) == (y.name, y.start_s, y.scale, y.zero)
        for table, other in ((a.truth, b.truth), (a.intervals, b.intervals)):
            for name in table:
                left, right = table[name], other[name]
                assert left.dtype == right.dtype
                assert np.array_equal(left, right, equal_nan=left.dtype.kind == "f"), name


def test_same_for_any_number_of_workers(monkeypatch: pytest.MonkeyPatch) -> None:
    # Batches are cut before any worker sees them: smaller ones here only to have several.
    monkeypatch.setattr(simulated_capture, "_BATCH_EVENTS", 4)
    recipe = dataclasses.replace(MIXED, engines=2, cylinders=(2,), sample_rates_Hz=(20e3,), firings_per_lead=2)
    one = simulate_captures(recipe, 3)
    assert len(one) >= 2
    same(one, simulate_captures(recipe, 3, workers=2))
    same(one, list(iterate_captures(recipe, np.random.SeedSequence(3))))


def test_another_seed_gives_other_captures(mixed: list[SimulatedCapture]) -> None:
    other = simulate_captures(dataclasses.replace(MIXED, engines=1), 12)
    assert not np.array_equal(other[0].capture.channels[0].samples, mixed[0].capture.channels[0].samples)


def test_truth_has_its_columns_and_stacks(mixed: list[SimulatedCapture]) -> None:
    truth, intervals = stack_truth(mixed)
    assert tuple(truth) == TRUTH_COLUMNS
    assert tuple(intervals) == INTERVAL_COLUMNS
    assert row_count(truth) == sum(row_count(one.truth) for one in mixed)
    with pytest.raises(SettingsError, match="at least one engine"):
        stack_truth([])


def test_instants_are_in_order(mixed: list[SimulatedCapture]) -> None:
    truth, _ = stack_truth(mixed)
    real = ~truth["absent"]
    assert np.all(truth["coil_on_s"][real] < truth["coil_off_s"][real])
    burning = real & (truth["sparked"] != "no")
    # Breakdown follows coil_off; a narrow gap may already go at switch-on, which is no firing.
    assert np.all(truth["breakdown_s"][burning] > truth["coil_off_s"][burning])
    assert np.all(truth["burn_end_s"][burning] > truth["breakdown_s"][burning])
    dark = real & (truth["sparked"] == "no") & ~truth["flashed_over"]
    assert np.all(np.isnan(truth["breakdown_s"][dark]))
    yes = truth["sparked"] == "yes"
    assert np.all(truth["conduction_time_ms"][yes] >= 0.05 - 1e-9)  # design: a spark conducts at least 0.05 ms


def test_measurable_firings_lie_on_the_record_outside_the_limits(mixed: list[SimulatedCapture]) -> None:
    judged = 0
    for one in mixed:
        for channel in one.capture.channels:
            rows = rows_of(one.truth, channel.name)
            values = channel.values()
            low, high = (rows[f"full_scale_{side}_V"][:1] for side in ("low", "high"))
            for instant in ("breakdown_s", "burn_end_s"):
                position = (rows[instant] - channel.start_s) * channel.sample_rate_Hz
                for k in np.flatnonzero(rows["measurable"]):
                    assert 0 <= position[k] <= len(channel) - 1
                    step = (high[0] - low[0]) / 2.0 ** rows["bits"][k]
                    near = values[int(np.floor(position[k])) : int(np.ceil(position[k])) + 1]
                    assert np.all((near > low[0] + 0.5 * step) & (near < high[0] - 1.5 * step))
                    judged += 1
    assert judged > 50
    truth, _ = stack_truth(mixed)
    kinds = truth["kind"]
    assert not truth["measurable"][kinds == "coil_current"].any()
    assert not truth["measurable"][truth["sparked"] != "yes"].any()
    assert not truth["measurable"][truth["absent"]].any()
    lost = (truth["sparked"] == "yes") & (kinds == "secondary_voltage") & ~truth["measurable"]
    assert lost.any()  # some are clipped or cut
    assert np.all(truth["cut"][lost] | truth["clipped"][lost])


def test_cut_firings_miss_their_begin_or_end(mixed: list[SimulatedCapture]) -> None:
    truth, _ = stack_truth(mixed)
    assert truth["cut"].any()
    lengths = {(one.capture.name, c.name): (c.start_s, c.start_s + (len(c) - 1) / c.sample_rate_Hz)
               for one in mixed for c in one.capture.channels}  # fmt: skip
    for k in np.flatnonzero(~truth["absent"]):
        first, last = lengths[truth["capture"][k], truth["channel"][k]]
        end = truth["burn_end_s"][k] if np.isfinite(truth["burn_end_s"][k]) else truth["coil_off_s"][k]
        assert truth["cut"][k] == (truth["coil_on_s"][k] < first - 1e-12 or end > last + 1e-12)
        assert truth["on_record"][k] == (first - 1e-12 <= truth["coil_off_s"][k] <= last + 1e-12)


def test_missing_firings_have_a_row_and_no_event(mixed: list[SimulatedCapture]) -> None:
    truth, _ = stack_truth(mixed)
    absent = truth["absent"]
    assert absent.any()
    assert np.all(truth["event"][absent] == -1)
    assert np.all(truth["event"][~absent] >= 0)
    assert np.all(truth["sparked"][absent] == "no")
    assert np.all(np.isnan(truth["coil_off_s"][absent]))
    assert np.all(np.isfinite(truth["time_s"]))
    assert np.all(truth["missing_rate"][absent] > 0)


def test_intervals_add_up_to_the_conduction_time(mixed: list[SimulatedCapture]) -> None:
    for one in mixed:
        for name in np.unique(one.truth["channel"]):
            rows, parts = rows_of(one.truth, name), rows_of(one.intervals, name)
            assert np.all(parts["stop_s"] > parts["start_s"])
            for k in np.flatnonzero(rows["conduction_intervals"] > 0):
                own = (parts["firing"] == rows["firing"][k]) & (parts["strike"] == 0)
                own &= parts["start_s"] < rows["burn_end_s"][k]
                assert own.sum() == rows["conduction_intervals"][k]
                total = (parts["stop_s"] - parts["start_s"])[own].sum() * 1e3
                assert total == pytest.approx(rows["conduction_time_ms"][k], abs=1e-9)
                assert total <= rows["burn_time_ms"][k] + 1e-6


def test_sweeps_are_captures_of_one_recording_about_their_trigger(mixed: list[SimulatedCapture]) -> None:
    sweeps = [one for one in mixed if one.capture.sweep]
    assert sweeps
    for one in sweeps:
        assert one.capture.name == f"{one.capture.recording}#sweep-{one.capture.sweep}"
        # Time 0 is the trigger: within 16 us and a sample behind a coil_off.
        rate = one.capture.channels[0].sample_rate_Hz
        nearest = np.nanmin(np.abs(one.truth["coil_off_s"]))
        assert nearest < 16e-6 + 1.0 / rate


def test_synchronising_pulse_marks_cylinder_one() -> None:
    one = made_with(CLEAN, synchronised=True)[0]
    channel = channel_of(one, "synchronising")
    values = channel.values()
    rises = np.flatnonzero(np.diff((values > 2.5).astype(int)) == 1) + 1
    rows = rows_of(one.truth, "lead_1")
    power_s = rows["coil_off_s"][rows["role"] == "power"]
    assert np.abs(rises / channel.sample_rate_Hz + channel.start_s - power_s).max() <= 1.0 / channel.sample_rate_Hz
    assert not np.any(one.truth["channel"] == "synchronising")


def test_no_channel_is_longer_than_allowed(mixed: list[SimulatedCapture]) -> None:
    assert max(len(channel) for one in mixed for channel in one.capture.channels) <= MIXED.max_samples


def test_two_ends_of_a_shared_coil_share_events_with_opposite_signs(clean: SimulatedCapture) -> None:
    for first, second in (("lead_1", "lead_4"), ("lead_2", "lead_3")):
        one, two = rows_of(clean.truth, first), rows_of(clean.truth, second)
        assert np.array_equal(one["event"], two["event"])
        assert np.all(one["polarity"] == -two["polarity"])
        assert np.all((one["role"] == "power") == (two["role"] == "waste"))
        # One current through both gaps: the burns end together, within the plugs' own discharge.
        assert np.abs(one["burn_end_s"] - two["burn_end_s"]).max() < 0.3e-3
    events = [set(rows_of(clean.truth, name)["event"]) for name in ("lead_1", "lead_2")]
    assert not events[0] & events[1]


@pytest.mark.parametrize("lead", ["lead_1", "lead_2", "lead_3", "lead_4"])
def test_record_shows_what_the_truth_says(clean: SimulatedCapture, lead: str) -> None:
    """On a clean recorder of 1 MHz at 1 MS/s, voltages and instants of the truth are in the samples."""
    channel, rows = channel_of(clean, lead), rows_of(clean.truth, lead)
    values, rate = channel.values(), channel.sample_rate_Hz

    def at(instant_s: float) -> int:
        return round((instant_s - channel.start_s) * rate)

    assert np.all(rows["measurable"])
    for k in range(row_count(rows)):
        off, broke, end = at(rows["coil_off_s"][k]), at(rows["breakdown_s"][k]), at(rows["burn_end_s"][k])
        rise = values[off : broke + 3]
        largest = rise[np.abs(rise).argmax()]
        assert np.sign(largest) == rows["polarity"][k]
        # The rise is at most twice as steep at its end as on average; a sample distance and the time constant of
        # the front end later the peak is past. Nothing over-reads it.
        late = 1.0 / rate + 3.0 / (2.0 * np.pi * rows["bandwidth_Hz"][k])
        allowed = min(2.0 * late / (rows["breakdown_s"][k] - rows["coil_off_s"][k]), 0.9)
        assert 1.0 - allowed < largest / rows["firing_voltage_V"][k] < 1.001
        # The collapse is a step: the steepest change lies at the breakdown, at most a sample and the delay off.
        change = np.abs(np.diff(values[broke - 5 : broke + 6]))
        assert abs(change.argmax() - 4.5) <= 1.7
        length = end - broke
        middle = np.median(values[broke + round(0.3 * length) : broke + round(0.7 * length)])
        assert middle == pytest.approx(rows["burn_voltage_V"][k], rel=0.01)


def test_primary_and_current_show_clamp_supply_and_dwell(clean: SimulatedCapture) -> None:
    primary = next(c for c in clean.capture.channels if c.kind == "primary_voltage")
    current = next(c for c in clean.capture.channels if c.kind == "coil_current")
    rows, flow = rows_of(clean.truth, primary.name), rows_of(clean.truth, current.name)
    rate = primary.sample_rate_Hz
    volts, amperes = primary.values(), current.values()
    assert np.all(rows["polarity"] == 1)
    assert np.all(np.isnan(rows["firing_voltage_V"]))  # limited by the switch: no firing voltage here
    attenuation = rows["pickup_ratio"][0]
    # Clamp 350-450 V class with its scatter: common practice, no source.
    assert np.all((rows["peak_voltage_V"] * attenuation > 250) & (rows["peak_voltage_V"] * attenuation < 480))
    assert volts[0] * attenuation == pytest.approx(13.8, abs=1.5)
    clamp = flow["pickup_ratio"][0]
    for k in range(row_count(flow)):
        on, off = (round((flow[name][k] - current.start_s) * rate) for name in ("coil_on_s", "coil_off_s"))
        sign = flow["polarity"][k]
        # The clamp's own gain error is 3 % (standard deviation).
        assert (sign * amperes[on:off]).max() * clamp == pytest.approx(flow["coil_current_peak_A"][k], rel=0.12)
        assert np.abs(amperes[on - 20 : on - 5]).max() < 1e-3 * np.abs(amperes[on:off]).max()


def test_inverted_pickup_turns_record_and_truth(clean: SimulatedCapture) -> None:
    turned = made_with(CLEAN, lead_pickups=[Pickup(1000.0, inverted=True)] * 4)[0]
    one, two = channel_of(clean, "lead_1"), channel_of(turned, "lead_1")
    # float32 storage: compare to the resolution of the range.
    assert np.abs(one.values() + two.values()).max() < 1e-5 * np.abs(one.values()).max()
    for name in ("polarity", "firing_voltage_V", "burn_voltage_V", "peak_voltage_V"):
        assert np.array_equal(rows_of(clean.truth, "lead_1")[name], -rows_of(turned.truth, "lead_1")[name])


def test_record_does_not_depend_on_the_grid_it_is_made_on(clean: SimulatedCapture) -> None:
    """A slow recorder sees the same wherever the fine grid of each event lies: seeds move it, instants do not."""
    slow = made_with(CLEAN, instrument_changes={"sample_rate_Hz": 100e3, "bandwidth_Hz": 1e6})[0]
    fast, few = channel_of(clean, "lead_1"), channel_of(slow, "lead_1")
    rows, coarse = rows_of(clean.truth, "lead_1"), rows_of(slow.truth, "lead_1")
    shift_s = (coarse["coil_off_s"] - rows["coil_off_s"])[0]
    assert np.allclose(coarse["burn_time_ms"], rows["burn_time_ms"], atol=1e-9)
    grid_s = few.start_s + np.arange(len(few)) / few.sample_rate_Hz - shift_s
    calm = np.zeros(grid_s.size, dtype=bool)
    for begin, end in zip(rows["breakdown_s"], rows["burn_end_s"], strict=True):
        calm |= (grid_s > begin + 50e-6) & (grid_s < end - 50e-6)
    expected = np.interp(grid_s[calm], fast.start_s + np.arange(len(fast)) / fast.sample_rate_Hz, fast.values())
    assert calm.sum() > 100
    assert np.abs(few.values()[calm] - expected).max() < 0.01 * np.abs(expected).max()


def test_too_small_a_range_clips_and_spoils_the_instants() -> None:
    small = StudyRecipe(**{**dataclasses.asdict(CLEAN), "quantised": True, "bits": (8,)})
    one = made_with(small, instrument_changes={"fit": "too_small", "bits": 8, "stored": "int16", "recovery_s": 0.0})[0]
    rows = rows_of(one.truth, "lead_1")
    channel = channel_of(one, "lead_1")
    codes = channel.samples
    assert codes.dtype == np.int16
    assert codes.min() == -128
    at = ((rows["breakdown_s"] - channel.start_s) * channel.sample_rate_Hz).astype(int)
    limited = np.array([np.any(codes[k : k + 2] == -128) for k in at])
    assert limited.any()
    assert np.all(rows["clipped"][limited])
    assert not np.any(rows["measurable"][limited])


@pytest.mark.parametrize("bits", [8, 12, 16])
def test_stored_codes_keep_to_their_bits(bits: int) -> None:
    recipe = StudyRecipe(**{**dataclasses.asdict(CLEAN), "quantised": True, "sample_rates_Hz": (100e3,)})
    whole = made_with(recipe, instrument_changes={"bits": bits, "stored": "int16"})[0]
    floats = made_with(recipe, instrument_changes={"bits": bits, "stored": "float32"})[0]
    for one, two in zip(whole.capture.channels, floats.capture.channels, strict=True):
        assert one.samples.min() >= -(2 ** (bits - 1))
        assert one.samples.max() <= 2 ** (bits - 1) - 1
        assert two.samples.dtype == np.float32
        assert np.allclose(one.values(), two.values(), rtol=1e-6, atol=1e-6 * np.abs(two.values()).max())


def test_dominant_condition_is_written_with_its_severity() -> None:
    recipe = dataclasses.replace(MIXED, engines=6, conditions=("wide_gap",), severity=(0.6, 1.0), faulty_share=0.7,
                                 channel_sets=("secondary",), ignition_types=("coil_on_plug",),
                                 second_share=0.0)  # fmt: skip
    truth, _ = stack_truth(simulate_captures(recipe, 4))
    wide = truth["condition"] == "wide_gap"
    assert wide.any()
    assert np.all(truth["severity_wide_gap"][wide] >= 0.6)
    assert np.all(truth["severity_wide_gap"][truth["condition"] == "normal"] == 0)
    assert set(truth["condition"]) <= {"wide_gap", "normal"}
    assert np.array_equal(truth["lead_condition"], truth["condition"])
