"""Rise and collapse are read alike wherever the detector put the firing."""

import numpy as np

from sigkit.locate.edge_correction import edge_shifts
from sigkit.locate.first_look import first_look
from sigkit.prepare.block_summary import summarise_blocks
from sigkit.prepare.channel_condition import condition_channel
from sigkit.prepare.settled_level import settled_level
from sigkit.simulate.simulated_capture import iterate_captures
from sigkit.simulate.study_recipe import StudyRecipe
from sigkit.types.firings import Firings


def test_at_slow_rates_the_position_of_the_window_tells_nothing():
    # At 20 kS/s what is looked at about an edge is longer than what is searched for it.
    recipe = StudyRecipe(engines=2, firings_per_lead=3, captures_per_engine=1, sample_rates_Hz=(20e3,))
    compared = 0
    for made in iterate_captures(recipe, np.random.SeedSequence(41)):
        truth = made.truth
        for channel in made.capture.channels:
            rows = np.flatnonzero((truth["channel"] == channel.name) & truth["measurable"])
            if channel.kind != "secondary_voltage" or rows.size == 0:
                continue
            blocks = summarise_blocks(channel)
            condition, level = condition_channel(channel, blocks), settled_level(blocks, channel.sample_rate_Hz)
            off = np.round((truth["coil_off_s"][rows] - channel.start_s) * channel.sample_rate_Hz).astype(np.int64)
            read = []
            for late in (0, 2):
                position = off + late
                firings = Firings(
                    channel.name, position, position, position, truth["polarity"][rows].astype(np.int8),
                    np.arange(rows.size),
                )  # fmt: skip
                around = level[np.minimum(position // blocks.length, level.size - 1)]
                look = first_look(channel, firings, condition, around, 0.0)
                shift, _ = edge_shifts(look, channel.sample_rate_Hz, condition.noise, False)
                read.append((look.origin + look.found.breakdown, shift))
            alike = np.abs(read[0][0] - read[1][0]) < 1e-9
            np.testing.assert_allclose(read[0][1][alike], read[1][1][alike], atol=1e-4)
            compared += int(alike.sum())
    assert compared >= 10
