"""Burn voltages of recorders so slow that the firing line falls between samples."""

from __future__ import annotations

import numpy as np

from sigkit.measure.measure_capture import measure_capture
from sigkit.simulate.simulated_capture import iterate_captures
from sigkit.simulate.study_recipe import StudyRecipe


def test_no_droop_is_made_up_where_the_firing_line_falls_between_samples() -> None:
    recipe = StudyRecipe(
        engines=4, firings_per_lead=3, captures_per_engine=1, channel_sets=("secondary",), sample_rates_Hz=(20e3, 50e3),
        bits=(14,), pickup_time_constant_s=float("inf"), conditions=("normal",), ignition_types=("coil_on_plug",),
    )  # fmt: skip
    ratio = []
    for made in iterate_captures(recipe, np.random.SeedSequence(20)):
        table, truth = measure_capture(made.capture).table, made.truth
        for channel in made.capture.channels:
            told = table["burn_level"][table["channel"] == channel.name]
            true = truth["burn_voltage_V"][truth["channel"] == channel.name]
            if np.isfinite(told).any() and np.isfinite(true).any():
                ratio.append(np.nanmedian(np.abs(told)) / np.nanmedian(np.abs(true)))
    assert len(ratio) >= 12
    # Of leads, all firings of one together: a droop that is not there would be undone in all of them.
    assert np.abs(np.array(ratio) - 1.0).max() < 0.15
