"""Advice for the next recording, from hand-made facts and tables."""

import numpy as np
import pytest

from sigkit.screen.capture_facts import CaptureFacts, ChannelFacts, facts_of, rate_in_words
from sigkit.screen.lead_rows import leads_of
from sigkit.screen.recording_advice import GENERAL_ADVICE, advise
from sigkit.types.capture import Capture
from sigkit.types.channel import Channel
from sigkit.types.firing_table import empty_table


def channel(**changes):
    values = {"name": "a", "kind": "secondary_voltage", "unit": "V", "lead": "1", "cylinder": "1", "coil": "",
              "sample_rate_Hz": 500e3, "duration_s": 0.4, "step": 0.5, "pickup_ratio": 10.0}  # fmt: skip
    return ChannelFacts(**{**values, **changes})


def facts(*channels, **changes):
    values = {"name": "x.csv", "recording": "x.csv", "sweep": 0, "engine": "ferry-1", "format": "delimited",
              "engine_speed_rpm": None, "profile": "", "time_origin": "", "note": "", "warnings": (),
              "firing_order": (), "channels": channels or (channel(),)}  # fmt: skip
    return CaptureFacts(**{**values, **changes})


def table_of(n=10, flags="", **columns):
    table = empty_table(n)
    table["channel"][:], table["flags"][:] = "a", flags
    table["burn_voltage_V"][:] = -100.0
    for name, value in columns.items():
        table[name][:] = value
    return table


def codes(known, table, **more):
    return [advice.code for advice in advise(known, table, leads_of(table), **more)]


def test_a_good_recording_needs_nothing():
    assert codes(facts(), table_of()) == []


@pytest.mark.parametrize(
    "known, table, code",
    [
        (facts(channel(sample_rate_Hz=50e3)), table_of(), "low_rate"),
        (facts(), table_of(flags="clipped soft_end"), "clipping"),
        (facts(channel(step=10.0)), table_of(), "few_codes"),
        (facts(), table_of(flags="cut"), "cut"),
        (facts(), table_of(flags="no_dwell"), "no_dwell"),
        (facts(), table_of(burn_end_flag="missing:too_noisy"), "noisy"),
        (facts(), table_of(n=3), "few_firings"),
        (facts(channel(unit="")), table_of(), "no_scale"),
        (facts(), table_of(n=0), "no_firings"),
        (facts(engine=""), table_of(), "no_engine"),
        (facts(channel(cylinder="", lead=""), channel(name="b", cylinder="", lead="")), table_of(), "no_cylinder"),
    ],
)
def test_each_fault_has_its_advice(known, table, code):
    assert codes(known, table) == [code]
    assert GENERAL_ADVICE[code].endswith(".")


def test_many_short_captures_of_a_lead_are_enough():
    assert codes(facts(), table_of(n=1), firings_of_engine={"channel a": 12}) == []
    assert codes(facts(), table_of(n=1), firings_of_engine={"channel a": 2}) == ["few_firings"]


def test_advice_carries_the_captures_own_numbers():
    text = advise(facts(channel(sample_rate_Hz=50e3)), table_of(), leads_of(table_of()))[0].text
    assert "50 kS/s is one sample in 20 µs" in text


def test_rates_in_words():
    assert [rate_in_words(rate) for rate in (20e3, 1e6, 500.0)] == ["20 kS/s", "1 MS/s", "500 S/s"]


def test_facts_know_the_step_of_a_coarse_recorder():
    # Eight bits over 51.2 V: steps of 0.2 V, by division.
    rng = np.random.default_rng(3)
    samples = np.clip(np.round(rng.normal(0, 20, 5000)), -128, 127).astype(np.int8)
    made = facts_of(Capture("a.wav", (Channel("a", samples, 1e5, scale=0.2, unit="V"),)))
    assert made.channels[0].step == pytest.approx(0.2)
    assert made.channels[0].duration_s == pytest.approx(0.05)
