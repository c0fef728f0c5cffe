"""Noise, step and limits of a recorder from its own samples."""

from __future__ import annotations

import numpy as np
import pytest

from sigkit.prepare.block_summary import summarise_blocks
from sigkit.prepare.channel_condition import condition_channel
from sigkit.types.channel import Channel


def _judge(channel):
    return condition_channel(channel, summarise_blocks(channel))


@pytest.mark.parametrize("rate", [50e3, 200e3, 2e6])
def test_white_noise_is_measured_within_ten_per_cent(rate):
    rng = np.random.default_rng(5)
    samples = np.round(rng.normal(scale=40.0, size=60_000)).astype(np.int16)
    found = _judge(Channel("1", samples, rate, scale=0.01))
    assert found.noise == pytest.approx(0.4, rel=0.1)


def test_a_quiet_record_has_the_noise_of_its_step():
    # Quantisation: rectangular, step / sqrt(12) (JCGM 100:2008, 4.3.7).
    samples = np.zeros(20_000, dtype=np.int16)
    samples[5000:5100:2] = 64
    found = _judge(Channel("1", samples, 1e5, scale=0.5))
    assert found.step == pytest.approx(32.0)
    assert found.noise == pytest.approx(32.0 / np.sqrt(12.0))


def test_a_converter_of_eight_bits_in_sixteen_shows_its_own_step():
    rng = np.random.default_rng(1)
    samples = (rng.integers(-100, 100, 50_000) * 256).astype(np.int16)
    assert _judge(Channel("1", samples, 1e6, scale=1e-3)).step == pytest.approx(0.256)


def test_a_flat_top_far_from_the_middle_is_a_limit():
    t = np.arange(100_000) / 1e6
    volts = np.clip(50.0 * np.sin(2 * np.pi * 300.0 * t), -1000.0, 40.0)
    found = _judge(Channel("1", volts, 1e6))
    assert found.clip_high == 40.0
    assert found.clip_low == -np.inf


def test_noise_alone_has_no_limits():
    found = _judge(Channel("1", np.random.default_rng(3).normal(size=50_000), 1e6))
    assert (found.clip_low, found.clip_high) == (-np.inf, np.inf)
