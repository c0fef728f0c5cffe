"""Hum of the mains in a record: found, taken out, and not made up."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from sigkit.measure.mains_hum import find_hum, hum_amplitudes, hum_at, learn_hum
from sigkit.measure.measure_capture import measure_capture
from sigkit.simulate.simulated_capture import iterate_captures
from sigkit.simulate.study_recipe import StudyRecipe
from sigkit.types.capture import Capture

INTERVAL_S = 1e-5


def windows(firings: int, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return times, settled stretches and noise of windows of 20 ms, one each 40 ms, a firing in their middle."""
    first = np.arange(firings) * 4000
    column = np.arange(2000)
    calm = np.broadcast_to((column < 600) | (column > 1100), (firings, 2000))
    return first, calm, 0.02 * rng.standard_normal((firings, 2000))


@pytest.mark.parametrize(("firings", "frequency_Hz"), [(1, 50.0), (3, 60.0), (30, 49.8)])
def test_hum_is_found_and_taken_out_of_the_firing_as_well(firings: int, frequency_Hz: float) -> None:
    first, calm, value = windows(firings, np.random.default_rng(5))
    time_s = (first[:, None] + np.arange(2000)) * INTERVAL_S
    hum = 0.5 * np.sin(2 * np.pi * frequency_Hz * time_s + 0.7)
    firing = np.where(calm, 0.0, -3.0) + 0.2 * np.arange(firings)[:, None]
    found = find_hum(value + hum + firing, calm, first, INTERVAL_S)
    # A period or so tells the frequency to a few hertz only; what counts is what is left.
    assert found == pytest.approx(frequency_Hz, abs=8.0 if firings == 1 else 1.0)
    sine = hum_amplitudes(value + hum + firing, calm, first, INTERVAL_S, found)
    left = hum - hum_at(np.tile(sine, (firings, 1)), found, time_s)
    left -= left.mean(axis=1, keepdims=True)
    assert np.sqrt(np.mean(left**2)) < 0.03 * 0.5


@pytest.mark.parametrize("frequency_Hz", [50.03, 59.9])
def test_hum_of_a_long_record_is_learnt_where_firings_are_dense(frequency_Hz: float) -> None:
    # A minute of firings each 90 ms; a last one stands alone in its two seconds, with too few settled means.
    first = np.append(np.arange(640) * 900, 612_000)
    column = np.arange(200)
    rng = np.random.default_rng(7)
    noise = 0.02 * rng.standard_normal((first.size, 200))

    def windows(rows: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        time_s = (first[rows, None] + column) * 1e-4
        calm = np.broadcast_to((column < 60) | (column > 110), time_s.shape).copy()
        calm[rows == 640, 30:] = False
        return noise[rows] + 0.5 * np.cos(2 * np.pi * frequency_Hz * time_s), calm, first[rows]

    found, sines = learn_hum(windows, first * 1e-4, 1e-4)
    assert found == pytest.approx(frequency_Hz, abs=0.1)
    time_s = (first[:, None] + column) * 1e-4
    left = 0.5 * np.cos(2 * np.pi * frequency_Hz * time_s) - hum_at(sines, found, time_s)
    rms = np.sqrt(np.mean(left**2, axis=1)) / 0.5
    assert rms[:-1].max() < 0.1
    assert rms[-1] < 0.5


def test_a_frequency_at_the_limits_is_another_thing() -> None:
    first, calm, value = windows(20, np.random.default_rng(8))
    time_s = (first[:, None] + np.arange(2000)) * INTERVAL_S
    for other_Hz in (38.0, 75.0):
        assert find_hum(value + np.sin(2 * np.pi * other_Hz * time_s), calm, first, INTERVAL_S) == 0.0


def test_noise_and_wander_between_firings_are_no_hum() -> None:
    rng = np.random.default_rng(6)
    first, calm, value = windows(12, rng)
    assert find_hum(value + rng.standard_normal((12, 1)), calm, first, INTERVAL_S) == 0.0
    # Nor is what is left of a charge behind each firing.
    tail = np.where(np.arange(2000) > 1100, np.exp(-(np.arange(2000) - 1100) / 300.0), 0.0)
    assert find_hum(value + 0.5 * tail, calm, first, INTERVAL_S) == 0.0


def test_burn_voltage_is_read_through_hum_larger_than_itself() -> None:
    recipe = StudyRecipe(
        engines=2, firings_per_lead=6, captures_per_engine=1, channel_sets=("secondary",), sample_rates_Hz=(100e3,),
        bits=(16,), pickup_time_constant_s=float("inf"), conditions=("normal",), ignition_types=("coil_on_plug",),
        recordings=("continuous",), nuisance=0.1, cylinders=(4,), range_shares=(1.0, 0.0, 0.0),
    )  # fmt: skip
    error = []
    for made in iterate_captures(recipe, np.random.SeedSequence(31)):
        channel, truth = made.capture.channels[0], made.truth
        true = truth["burn_voltage_V"][truth["channel"] == channel.name]
        time_s = np.arange(len(channel)) / channel.sample_rate_Hz
        value = (np.asarray(channel.samples, dtype=float) - channel.zero) * channel.scale
        size = 1.2 * float(np.nanmedian(np.abs(true)))
        loud = replace(channel, samples=value + size * np.sin(2 * np.pi * 50.0 * time_s), scale=1.0, zero=0.0)
        table = measure_capture(Capture(made.capture.name, (loud,))).table
        matched = {round(at, 3): level for at, level in zip(table["coil_off_s"], table["burn_level"], strict=True)}
        for at, level in zip(truth["coil_off_s"][truth["channel"] == channel.name], true, strict=True):
            if np.isfinite(level) and round(at, 3) in matched:
                error.append(matched[round(at, 3)] / level - 1.0)
    assert len(error) >= 8
    assert np.nanmedian(np.abs(error)) < 0.03
