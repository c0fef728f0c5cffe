"""Power or waste from constructed tables."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from sigkit.context.assign_roles import BLOCK, LEAST_PROBABILITY, assign_roles
from sigkit.context.capture_info import CaptureInfo, ChannelInfo


def build(levels, continuous=True, burns=None, period_s=0.05):
    """Return (table, lead, infos) of one coil: ``levels`` maps a lead to its peak levels, an event a column."""
    leads = list(levels)
    count = len(next(iter(levels.values())))
    rows = [(lead, event) for lead in leads for event in range(count)]
    n = len(rows)
    name = "a.npz" if continuous else "a.npz#sweep-{}"
    peak = np.array([levels[lead][event] for lead, event in rows], dtype=float)
    time_s = np.array([0.1 + period_s * event if continuous else 0.0 for _, event in rows])
    table = {
        "capture": np.array([name.format(event + 1) for _, event in rows], dtype=object),
        "event": np.array([event if continuous else 0 for _, event in rows]),
        "time_s": time_s,
        "coil_off_s": time_s,
        "breakdown_s": np.full(n, np.nan),
        "peak_level": peak,
        "burn_level": np.full(n, np.nan) if burns is None else np.array([burns[a][b] for a, b in rows]),
        "sample_rate_Hz": np.full(n, 1e6),
        "channel_kind": np.array(["secondary_voltage"] * n, dtype=object),
        "flags": np.array([""] * n, dtype=object),
    }
    channels = tuple(ChannelInfo(f"c{x}", "secondary_voltage", x, "1", x, 1e6, 0.0, 9.0) for x in leads)
    infos = [
        CaptureInfo(
            capture,
            "a.npz",
            "heron",
            "shared_coil",
            (("1", "4"),),
            (),
            None,
            channels,
            0 if continuous else int(capture.split("-")[1]),
        )
        for capture in sorted(set(table["capture"]))
    ]
    return table, np.array([lead for lead, _ in rows], dtype=object), infos


HIGH, LOW = 9.0, 2.5


@pytest.mark.parametrize("first", [0, 1])
@pytest.mark.parametrize("continuous", [True, False])
def test_two_ends_take_turns(first, continuous):
    power = (np.arange(6) + first) % 2 == 0
    table, lead, infos = build({"1": np.where(power, HIGH, LOW), "4": np.where(power, LOW, HIGH)}, continuous)
    role, probability = assign_roles(table, lead, infos)
    expected = np.concatenate([np.where(power, "power", "waste"), np.where(power, "waste", "power")])
    np.testing.assert_array_equal(role, expected)
    assert np.all(probability > 0.99)


@pytest.mark.parametrize("continuous", [True, False])
def test_one_end_alone_is_told_by_its_own_levels(continuous):
    power = np.arange(8) % 2 == 0
    wobble = 1 + 0.03 * np.cos(np.arange(8))
    table, lead, infos = build({"1": np.where(power, HIGH, LOW) * wobble}, continuous)
    role, _ = assign_roles(table, lead, infos)
    np.testing.assert_array_equal(role, np.where(power, "power", "waste"))


def test_sweeps_need_not_take_turns():
    power = np.array([True, True, False, True, False, False])
    table, lead, infos = build({"1": np.where(power, HIGH, LOW), "4": np.where(power, LOW, HIGH)}, False)
    np.testing.assert_array_equal(assign_roles(table, lead, infos)[0][:6] == "power", power)


def test_one_odd_firing_does_not_turn_the_coil():
    levels = np.array([9.0, 2.0, 9.0, 2.0, 1.5, 2.0, 9.0, 2.0])
    table, lead, infos = build({"1": levels})
    assert assign_roles(table, lead, infos)[0].tolist() == ["power", "waste"] * 4


def test_a_single_sweep_is_decided_by_its_two_ends_only():
    table, lead, infos = build({"1": [9.0], "4": [1.0]}, False)
    assert assign_roles(table, lead, infos)[0].tolist() == ["power", "waste"]
    table, lead, infos = build({"1": [3.0], "4": [2.9]}, False)
    role, probability = assign_roles(table, lead, infos)
    assert role.tolist() == ["unknown", "unknown"]
    assert np.all(probability < LEAST_PROBABILITY)
    table, lead, infos = build({"1": [9.0]}, False)
    assert assign_roles(table, lead, infos)[0].tolist() == ["unknown"]


def test_equal_levels_stay_undecided():
    drawn = np.random.default_rng(1).normal(5.0, 0.4, (2, 10))
    table, lead, infos = build({"1": drawn[0], "4": drawn[1]}, False)
    assert set(assign_roles(table, lead, infos)[0]) == {"unknown"}


def test_clipped_samples_stand_for_power():
    power = np.arange(6) % 2 == 0
    table, lead, infos = build({"1": np.full(6, np.nan), "4": np.full(6, np.nan)})
    clipped = np.concatenate([power, ~power])
    table["flags"] = np.where(clipped, "clipped low_rate", "").astype(object)
    np.testing.assert_array_equal(assign_roles(table, lead, infos)[0] == "power", clipped)


def test_long_records_are_judged_in_blocks_and_agree():
    count = 5 * BLOCK + 3
    power = np.arange(count) % 2 == 0
    table, lead, infos = build({"1": np.where(power, HIGH, LOW), "4": np.where(power, LOW, HIGH)})
    role, _ = assign_roles(table, lead, infos)
    np.testing.assert_array_equal(role[:count] == "power", power)
    np.testing.assert_array_equal(role[count:] == "waste", power)


def test_a_coil_of_its_own_is_single_and_another_channel_has_no_probability():
    table, lead, infos = build({"1": [9.0, 2.0]})
    table["channel_kind"][:] = "coil_current"
    role, probability = assign_roles(table, lead, infos)
    assert role.tolist() == ["unknown", "unknown"]
    assert np.isnan(probability).all()
    own = [CaptureInfo(i.name, i.recording, i.engine, "coil_on_plug", (), (), None, i.channels) for i in infos]
    role, probability = assign_roles(table, lead, own)
    assert role.tolist() == ["single", "single"]
    assert probability.tolist() == [1.0, 1.0]


def test_the_firing_order_settles_a_coil_without_evidence_of_its_own():
    power = np.arange(6) % 2 == 0
    first, lead_a, _ = build({"1": np.where(power, HIGH, LOW), "4": np.where(power, LOW, HIGH)})
    second, lead_b, _ = build({"3": np.full(6, 5.0), "2": np.full(6, 5.0)})
    second["time_s"] += 0.025
    second["coil_off_s"] = second["time_s"]
    second["event"] += 100
    table = {name: np.concatenate([first[name], second[name]]) for name in first}
    lead = np.concatenate([lead_a, lead_b])
    channels = tuple(ChannelInfo(f"c{x}", "secondary_voltage", x, "", x, 1e6, 0.0, 9.0) for x in "1432")
    info = CaptureInfo("a.npz", "a.npz", "heron", "shared_coil", (("1", "4"), ("3", "2")), ("1", "3", "4", "2"), None,
                       channels)  # fmt: skip
    role, _ = assign_roles(table, lead, [info])
    np.testing.assert_array_equal(role[:6] == "power", power)
    np.testing.assert_array_equal(role[12:18] == "power", power)
    np.testing.assert_array_equal(role[18:] == "waste", power)
    without = [CaptureInfo(info.name, info.recording, info.engine, info.ignition_type, info.shared_coil_pairs, (), None,
                           channels)]  # fmt: skip
    assert set(assign_roles(table, lead, without)[0][12:]) == {"unknown"}


def test_sweeps_are_taken_by_their_numbers():
    power = np.arange(12) % 2 == 0
    # Alternation carries the two middle sweeps, whose levels say nothing; by name, sweep 10 would follow sweep 1.
    middle = np.isin(np.arange(12), (5, 6))
    ends = [np.where(middle, 5.0, np.where(side, HIGH, LOW)) for side in (power, ~power)]
    table, lead, infos = build({"1": ends[0], "4": ends[1]}, False)
    role, _ = assign_roles(table, lead, infos)
    np.testing.assert_array_equal(role[:12] == "power", power)
    np.testing.assert_array_equal(role[12:] == "waste", power)


def two_coils(first, rate_Hz=1e6):
    """Return sweeps of coil 1-4 with ``first`` at power, and of coil 3-2 with one sweep that tells little."""
    tables, leads, infos = [], [], []
    weak = {"3": np.array([6.5, 4.0, 6.3, 4.0, 4.2, 4.0]), "2": np.array([4.0, 6.4, 4.1, 6.1, 4.6, 6.2])}
    for recording, levels in (("a", {"1": np.where(first, HIGH, LOW), "4": np.where(first, LOW, HIGH)}), ("b", weak)):
        table, lead, own = build(levels, False)
        table["capture"] = np.array([f"{recording}{one}" for one in table["capture"]], dtype=object)
        table["sample_rate_Hz"] = np.full(lead.size, rate_Hz if recording == "b" else 1e6)
        tables.append(table)
        leads.append(lead)
        infos += [
            replace(i, name=recording + i.name, recording=recording, shared_coil_pairs=(("1", "4"), ("3", "2")))
            for i in own
        ]  # fmt: skip
    return {n: np.concatenate([t[n] for t in tables]) for n in tables[0]}, np.concatenate(leads), infos


def test_a_coil_that_takes_turns_says_so_of_the_recorder_of_the_others():
    at = 12 + 4  # the sweep in question, of lead 3

    def surety(*arguments):
        role, probability = assign_roles(*two_coils(*arguments))
        return float(probability[at] if role[at] == "power" else 1.0 - probability[at])

    turns = np.arange(6) % 2 == 0
    alternating, irregular = surety(turns), surety(np.array([True, True, False, True, False, False]))
    other_recorder = surety(turns, 5e5)
    assert alternating > other_recorder > irregular


def test_weak_evidence_that_agrees_is_decided_and_said_to_be_weak():
    table, lead, infos = build({"1": [5.0, 4.5, 5.1, 4.4, 5.0, 4.6]})
    role, probability = assign_roles(table, lead, infos)
    assert role.tolist() == ["power", "waste"] * 3
    assert np.all((probability > LEAST_PROBABILITY) & (probability < 0.999))


@pytest.mark.parametrize("continuous", [True, False])
def test_a_pulse_of_cylinder_1_settles_equal_levels(continuous):
    power = np.arange(6) % 2 == 1
    table, lead, infos = build({"1": np.full(6, 5.0), "4": np.full(6, 5.0)}, continuous)
    assert set(assign_roles(table, lead, infos)[0]) == {"unknown"}
    if continuous:
        infos = [replace(infos[0], pulses_s=tuple(table["time_s"][:6][power] + 2e-4))]
    else:
        infos = [replace(info, pulses_s=(2e-4,) if info.sweep % 2 == 0 else ()) for info in infos]
    role, probability = assign_roles(table, lead, infos)
    np.testing.assert_array_equal(role[:6] == "power", power)
    np.testing.assert_array_equal(role[6:] == "waste", power)
    assert np.all(probability > 0.95)
