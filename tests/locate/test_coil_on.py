"""The switching-on of the coil on drawn records: what is one, and what is none."""

import numpy as np
import pytest

from sigkit.locate.rough_windows import rough_windows
from sigkit.prepare.block_summary import summarise_blocks
from sigkit.prepare.channel_condition import condition_channel
from sigkit.types.channel import Channel
from sigkit.types.firings import Firings

RATE_HZ = 100e3


def _coil_on(value: np.ndarray, onsets: list[int]) -> np.ndarray:
    """Return the sample of the switching-on before each firing, NaN where none shows."""
    value = value + 1e-3 * np.random.default_rng(3).standard_normal(value.size)
    channel = Channel("1", value, RATE_HZ)
    position = np.array(onsets)
    firings = Firings("1", position, position, position, np.ones(len(onsets), np.int8), np.arange(len(onsets)))
    condition = condition_channel(channel, summarise_blocks(channel))
    rough = rough_windows(channel, firings, condition, np.zeros(len(onsets)), 0.0)
    return rough.to_samples(rough.coil_on)


@pytest.mark.parametrize("apart_ms", [9, 11])
def test_the_end_of_the_firing_before_is_no_switching_on(apart_ms):
    # A burn that is much higher than the dwell's step, and still within the window of the next firing.
    value, onsets = np.zeros(6000), [2000, 2000 + 100 * apart_ms]
    for onset in onsets:
        value[onset - 250 : onset] = -0.3
        value[onset : onset + 120] = 1.0
    assert _coil_on(value, onsets) == pytest.approx([1749.5, 1749.5 + 100 * apart_ms], abs=1.0)


def test_a_step_on_the_plateau_of_a_dwell_that_began_before_the_record_is_no_switching_on():
    value, onset = np.zeros(2000), 90
    value[:onset], value[:40] = -1.05, -0.95
    value[onset : onset + 120] = 1.0
    assert np.isnan(_coil_on(value, [onset])).all()
    # The same step from the level of rest is one.
    value[:onset], value[:40] = -0.1, 0.0
    assert _coil_on(value, [onset]) == pytest.approx([39.5], abs=1.0)
