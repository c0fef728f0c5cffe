"""A steady tone in windows about firings."""

from __future__ import annotations

import numpy as np
import pytest

from sigkit.prepare.steady_tone import find_tone

T_S = np.arange(4800) * 5e-6


def _windows(rng, tone=0.0, frequency_Hz=2500.0, noise=0.02):
    """Windows with a dwell, a firing line, a burn line and a decaying ring, all off the tone."""
    rows = np.zeros((5, T_S.size))
    rows[:, (T_S > 8e-3) & (T_S < 12e-3)] = -0.3
    rows[:, (T_S > 12e-3) & (T_S < 13.2e-3)] = 1.0
    behind = T_S - 13.2e-3
    rows += np.where(behind > 0, np.exp(-behind / 0.4e-3) * np.sin(2 * np.pi * 4e3 * behind), 0.0)
    phase = rng.uniform(0, 2 * np.pi, 5)[:, None]
    pure = tone * np.sin(2 * np.pi * frequency_Hz * T_S + phase)
    return rows + pure + rng.normal(0.0, noise, rows.shape), pure


@pytest.mark.parametrize("frequency_Hz", [1000.0, 2500.0, 6100.0])
def test_the_tone_is_found_under_firings(frequency_Hz):
    rows, pure = _windows(np.random.default_rng(1), 0.2, frequency_Hz)
    found = find_tone(rows, 5e-6)
    assert found.frequency_Hz == pytest.approx(frequency_Hz, rel=2e-3)
    # What is left of it is a tenth of the tone in the middle, where the firing stands.
    middle = (T_S > 10e-3) & (T_S < 15e-3)
    assert np.abs(found.at(T_S) - pure)[:, middle].max() < 0.02


def test_a_ring_and_a_dwell_are_no_tone():
    rows, _ = _windows(np.random.default_rng(2))
    assert find_tone(rows, 5e-6).frequency_Hz == 0.0


def test_short_or_empty_windows_have_no_tone():
    assert find_tone(np.zeros((2, 100)), 5e-6).frequency_Hz == 0.0
    assert find_tone(np.full((2, 4800), np.nan), 5e-6).frequency_Hz == 0.0
    assert find_tone(np.zeros((2, 4800)), 5e-6).frequency_Hz == 0.0


def test_what_is_off_the_record_does_not_count():
    rows, pure = _windows(np.random.default_rng(3), 0.2)
    rows[:, :1500] = np.nan
    found = find_tone(rows, 5e-6)
    assert found.frequency_Hz == pytest.approx(2500.0, rel=2e-3)
    assert np.abs(found.at(T_S) - pure)[:, 2400:3000].max() < 0.03
