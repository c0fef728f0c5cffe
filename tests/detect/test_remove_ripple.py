"""A steady tone is taken off the blocks; firings, noise and slow waves stay."""

from __future__ import annotations

import numpy as np
import pytest

from sigkit.detect.remove_ripple import remove_ripple
from sigkit.prepare.block_summary import summarise_blocks
from sigkit.types.channel import Channel

RATE_HZ = 100e3


def _blocks(signal):
    return summarise_blocks(Channel("1", signal, RATE_HZ))


@pytest.mark.parametrize("frequency_Hz", [700.0, 1234.5, 2846.0, 6010.0])
@pytest.mark.parametrize("seconds", [0.02, 0.5])
def test_a_tone_goes_and_a_burn_line_stays(frequency_Hz, seconds):
    t = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    burn = np.where((t > 0.01) & (t < 0.0112), -1.0, 0.0)
    noise = 0.02 * np.random.default_rng(1).normal(size=t.size)
    cleared, amplitude = remove_ripple(_blocks(burn + noise + 0.8 * np.sin(2 * np.pi * frequency_Hz * t + 1)), RATE_HZ)
    # A block of five samples of 10 us sees a tone of f reduced by sinc(50 us f): a closed form.
    # In a short record the burn line takes part in the fit.
    within = 0.05 if seconds < 0.1 else 0.01
    assert amplitude == pytest.approx(0.8 * np.sinc(50e-6 * frequency_Hz), rel=within)
    want = _blocks(burn + noise).mean
    assert np.std(cleared.mean - want) < 0.05
    assert cleared.mean[round(0.0105 * RATE_HZ / 5)] == pytest.approx(-1.0, abs=0.15)


@pytest.mark.parametrize("kind", ["noise", "slow", "zeros", "short"])
def test_without_a_tone_nothing_changes(kind):
    t = np.arange(20_000) / RATE_HZ
    signal = {
        "noise": np.random.default_rng(2).normal(size=t.size),
        "slow": np.sin(2 * np.pi * 50 * t) + 0.1 * np.random.default_rng(3).normal(size=t.size),
        "zeros": np.zeros(t.size),
        "short": np.sin(2 * np.pi * 3000 * t[:200]),
    }[kind]
    blocks = _blocks(signal)
    cleared, amplitude = remove_ripple(blocks, RATE_HZ)
    assert cleared is blocks
    assert amplitude == 0.0
