"""Which way the droop of a quick pickup is asked about a firing, on a drawn record (our choice of shapes)."""

from __future__ import annotations

import numpy as np
import pytest

from sigkit.measure.quick_droop import told_droop
from sigkit.prepare.block_summary import summarise_blocks
from sigkit.prepare.channel_condition import condition_channel
from sigkit.types.channel import Channel
from sigkit.types.firings import Firings

RATE_HZ = 500e3


def _told(polarity: int, rise: np.ndarray, sign: float = 1.0) -> float:
    """Tell the droop of one firing behind a pickup that passes zero frequency, given its rise."""
    since = np.arange(int(40e-3 * RATE_HZ)) / RATE_HZ - 15e-3
    y = np.where((since > -4e-3) & (since < 0), -0.3 * np.exp(-(since + 4e-3) / 6e-3), 0.0)
    y += np.where((since > 0) & (since < 10e-6), 3.0, 0.0) + np.where((since >= 10e-6) & (since < 1.3e-3), 1.0, 0.0)
    behind = np.maximum(since - 1.3e-3, 0.0)
    y += np.where(behind > 0, np.exp(-behind / 0.3e-3) * np.cos(2 * np.pi * 3e3 * behind), 0.0)
    y = sign * (y + np.random.default_rng(3).normal(0.0, 0.005, y.size))
    channel = Channel("1", y, RATE_HZ, kind="secondary_voltage")
    at = np.array([round(15e-3 * RATE_HZ)])
    firings = Firings("1", at, at - 100, at + 2000, np.array([polarity], dtype=np.int8), np.arange(1))
    return told_droop(channel, firings, np.arange(1), rise, condition_channel(channel, summarise_blocks(channel)), 0.0)


@pytest.mark.parametrize("sign", [1, -1])
def test_a_rise_that_shows_only_the_swing_behind_the_collapse_does_not_turn_the_firing(sign):
    seen = sign * np.array([[-0.3, -0.3, -1.1]])
    assert _told(sign, seen, sign) == 0.0
    # Turned round, the same firing looks like one behind a pickup that droops: the reason why it matters.
    assert _told(-sign, seen, sign) > 0.0


def test_without_a_polarity_the_rise_tells_it():
    assert _told(0, np.array([[-0.3, 3.0, 1.0]])) == 0.0
    assert _told(0, np.array([[0.3, -3.0, -1.0]]), -1.0) == 0.0
