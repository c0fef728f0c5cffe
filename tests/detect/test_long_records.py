"""A long record of one lead: the number of its firings and channels must not make them less likely."""

from __future__ import annotations

import numpy as np

from sigkit.detect.block_activity import BlockActivityDetector
from sigkit.types.capture import Capture


def test_every_firing_of_a_record_of_one_lead_repeated_many_times_is_found(plug_engines):
    made = plug_engines[0]
    channel = made.capture.channels[0]
    rows = (made.truth["channel"] == channel.name) & ~made.truth["absent"]
    alone = BlockActivityDetector().detect(Capture("a", (channel,)))[0]
    assert len(alone) == int(rows.sum())
    times = 25
    repeated = channel.with_(samples=np.tile(np.asarray(channel.samples), times))
    found = BlockActivityDetector().detect(Capture("a", (repeated,)))[0]
    assert len(found) == times * len(alone)
