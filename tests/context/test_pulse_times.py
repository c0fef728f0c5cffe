"""Beginnings of synchronising pulses."""

from __future__ import annotations

import numpy as np
import pytest

from sigkit.context import pulse_times as module
from sigkit.context.pulse_times import pulse_times
from sigkit.types.channel import Channel


def channel(values, scale=1.0):
    return Channel("s", values, 20e3, start_s=-0.01, scale=scale, kind="synchronising_pulse")


def test_noisy_pulses_are_found_where_they_begin():
    values = np.random.default_rng(2).normal(0.0, 0.1, 4000)
    for begin in (500, 2500):
        values[begin : begin + 20] += 5.0
    np.testing.assert_allclose(pulse_times(channel(values)), [0.015, 0.115], atol=1e-9)


def test_a_pulse_that_began_before_the_record_has_no_beginning():
    values = np.zeros(100)
    values[:10] = values[50:70] = 5.0
    np.testing.assert_allclose(pulse_times(channel(values)), [-0.01 + 50 / 20e3])


@pytest.mark.parametrize("levels", [0.0, 1.0])
def test_noise_without_pulses_shows_none(levels):
    rng = np.random.default_rng(3)
    noise = rng.integers(0, 2, 2000) * 1e-3 if levels else rng.normal(0.0, 0.1, 2000)
    assert pulse_times(channel(noise)).size == 0


def test_an_empty_and_a_flat_channel_show_none():
    assert pulse_times(channel(np.zeros(0))).size == pulse_times(channel(np.ones(50))).size == 0


def test_blocks_change_nothing(monkeypatch):
    values = np.zeros(1000)
    values[95:115] = values[300:320] = values[990:] = 5.0
    whole = pulse_times(channel(values))
    assert whole.size == 3
    for size in (1, 7, 100, 999):
        monkeypatch.setattr(module, "BLOCK", size)
        np.testing.assert_array_equal(pulse_times(channel(values)), whole)


@pytest.mark.parametrize("scale", [1.0, -1.0])
def test_pulses_that_go_down_begin_where_they_go_down(scale: float) -> None:
    record = np.zeros(20_000)
    for at in (3000, 9000, 15_000):
        record[at : at + 200] = 5.0
    record[0:50] = 5.0  # began before the record
    told = pulse_times(Channel("s", record, 1e5, scale=scale, kind="synchronising_pulse"))
    assert told == pytest.approx([0.03, 0.09, 0.15])
    record[1000] = np.nan
    assert pulse_times(Channel("s", record, 1e5, scale=scale, kind="synchronising_pulse")) == pytest.approx(told)
