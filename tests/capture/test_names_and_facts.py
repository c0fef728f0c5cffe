"""What names and statements say, and what is no signal."""

from __future__ import annotations

import numpy as np
import pytest

from sigkit.capture.check_samples import sample_fault
from sigkit.capture.column_names import kind_from_name, parse_column_name, unit_factor
from sigkit.capture.file_facts import read_facts


@pytest.mark.parametrize(
    ("text", "name", "quantity", "factor"),
    [
        ("time (s)", "time", "time", 1.0),
        ("Time [µs]", "Time", "time", 1e-6),
        ("t/ms", "t", "time", 1e-3),
        ("time_ns", "time", "time", 1e-9),
        ("voltage_V", "voltage", "voltage", 1.0),
        ("CH1 in mV", "CH1", "voltage", 1e-3),
        ("lead 3 kV", "lead 3", "voltage", 1e3),
        ("current_A", "current", "current", 1.0),
        ("Channel A", "Channel A", "", None),
        ("channel_A", "channel_A", "", None),
        ("lead s", "lead s", "", None),
        ("U (MV)", "U", "", None),
        ("temperature (degC)", "temperature", "", None),
        ('"U (V)"', "U", "voltage", 1.0),
        ("mV", "voltage", "voltage", 1e-3),
        ("Zeit", "Zeit", "time", None),
        ("Sample number", "Sample number", "index", None),
    ],
)
def test_column_names(text: str, name: str, quantity: str, factor: float | None) -> None:
    parsed = parse_column_name(text)
    assert (parsed.name, parsed.quantity, parsed.factor) == (name, quantity, factor)


def test_mega_is_not_milli() -> None:
    """SI brochure, table of prefixes: M is mega, m is milli."""
    assert unit_factor("MV") is None
    assert unit_factor("mV") == ("voltage", 1e-3)


def test_extremes_in_names() -> None:
    assert [parse_column_name(text).extreme for text in ("U min", "max_U", "U (V) maximum", "minus", "Maxwell")] == [
        "min", "max", "max", "", ""]  # fmt: skip


def test_kinds_in_names() -> None:
    assert kind_from_name("Secondary 2") == "secondary_voltage"
    assert kind_from_name("primary voltage") == "primary_voltage"
    assert kind_from_name("primary current") == "coil_current"
    assert kind_from_name("sync") == "synchronising_pulse"
    assert kind_from_name("lead 3") == "unknown"


def test_statements() -> None:
    facts = read_facts({"Sampling rate (kHz)": "100", "t0 (ms)": "-2,5", "scale_mV": [1.0, 2.0], "rpm": "900",
                        "unit": "V|A", "remark": "none"})  # fmt: skip
    assert facts.sample_rate_Hz == (100_000.0,)
    assert facts.start_s == (-0.0025,)
    assert facts.scale == (0.001, 0.002)
    assert facts.engine_speed_rpm == 900.0
    assert facts.text["remark"] == "none"
    assert facts.faults == []


@pytest.mark.parametrize(("key", "value"), [("sample rate", "fast"), ("fs", "-3"), ("dt", "0"), ("fs", "3 furlong")])
def test_statements_that_cannot_be_understood_are_told(key: str, value: str) -> None:
    facts = read_facts({key: value})
    assert facts.sample_rate_Hz == ()
    assert len(facts.faults) == 1


def test_fault_is_found_in_the_last_block_of_a_long_record() -> None:
    samples = np.zeros(3_000_000, dtype=np.float32)
    assert sample_fault(samples)[0] == "constant"
    samples[-1] = np.nan
    code, words = sample_fault(samples)
    assert code == "missing"
    assert words == "1 of 3000000 samples (3.3e-05 %) are missing or not finite, the first at sample 2999999"
    samples[-1] = 1
    assert sample_fault(samples) == ("", "")
    assert sample_fault(np.array(["a", "b"]))[0] == "type"
    assert sample_fault(np.array([1j, 2j]))[0] == "type"
