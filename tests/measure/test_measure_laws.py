"""Laws: what a shift in time, a gain, an inversion, an offset and the size of a batch may change."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sigkit.measure import firing_windows
from sigkit.measure.instants_from_table import firings_from_instants, instants_from_table
from sigkit.measure.measure_firings import measure_firings
from sigkit.types.channel import Channel
from sigkit.types.measurements import QUANTITIES, Measurements

RATE_HZ, FIRINGS, PERIOD_S = 250e3, 3, 20e-3
#: A little off the samples: which side of a bound a sample on it belongs to is a matter of rounding.
TIMES = {"coil_on": 4.0013e-3, "coil_off": 7.0013e-3, "breakdown": 7.0213e-3, "burn_end": 8.3017e-3}
IN_TIME = ("coil_on", "coil_off", "breakdown", "burn_end")


def record() -> np.ndarray:
    """Draw three firings: sinking dwell, rise, sloping burn, ring, noise."""
    t = np.arange(round(PERIOD_S * RATE_HZ)) / RATE_HZ
    dwell = (t >= 4e-3) & (t < 7e-3)
    burn = (t >= 7.02e-3) & (t < 8.3e-3)
    since = np.maximum(t - 8.3e-3, 0.0)
    one = np.select(
        [dwell, (t >= 7e-3) & (t < 7.02e-3), burn, t >= 8.3e-3],
        [-300.0 * np.exp(-400.0 * (t - 4e-3)), 8000.0 * (t - 7e-3) / 20e-6, 900.0 + 90e3 * (t - 7.02e-3),
         1000.0 * np.exp(-3500.0 * since) * np.cos(2 * np.pi * 5000.0 * since)],
    )  # fmt: skip
    return np.tile(one, FIRINGS) + 4.0 * np.random.default_rng(8).standard_normal(FIRINGS * t.size)


VOLTS = record()


def measured(volts: np.ndarray, start_s: float = 0.0, pad: int = 0) -> Measurements:
    channel = Channel("1", volts, RATE_HZ, start_s=start_s, unit="V", kind="secondary_voltage")
    begins = np.arange(FIRINGS) * PERIOD_S + start_s + pad / RATE_HZ
    instants = instants_from_table(channel, {f"{name}_s": begins + at for name, at in TIMES.items()}, 1e-6)
    return measure_firings(channel, firings_from_instants(channel, instants), instants)


WHOLE = measured(VOLTS)


def same(found: Measurements, name: str, factor: float = 1.0, shift: float = 0.0, rel: float = 1e-6) -> None:
    """Compare value and uncertainty of a quantity with those of the plain record."""
    before, after = WHOLE.columns[name], found.columns[name]
    scale = max(float(np.nanmax(np.abs(before.value * factor), initial=0.0)), 1e-12)
    assert list(after.flag) == list(before.flag), name
    np.testing.assert_allclose(after.value, before.value * factor + shift, rtol=rel, atol=rel * scale, err_msg=name)
    np.testing.assert_allclose(after.u, before.u * abs(factor), rtol=1e-3, atol=1e-9 * scale, err_msg=f"{name} u")


@settings(max_examples=8, deadline=None)
@given(st.floats(-50.0, 50.0))
def test_a_shift_in_time_shifts_instants_by_exactly_that(shift_s: float) -> None:
    found = measured(VOLTS, start_s=shift_s)
    for spec in QUANTITIES:
        # Seconds far from zero carry fewer digits: a double of 50 s resolves 7e-15 s.
        if spec.name in IN_TIME:
            before, after = WHOLE.columns[spec.name].value, found.columns[spec.name].value
            np.testing.assert_allclose(after, before + shift_s, atol=1e-12, rtol=0)
        else:
            same(found, spec.name, rel=1e-5)


@settings(max_examples=6, deadline=None)
@given(st.integers(1, 3000))
def test_quiet_samples_in_front_move_instants_only(pad: int) -> None:
    quiet = 4.0 * np.random.default_rng(9).standard_normal(pad)
    found = measured(np.concatenate([quiet, VOLTS]), pad=pad)
    for name in IN_TIME:
        same(found, name, shift=pad / RATE_HZ)
    for name in ("burn_voltage", "burn_slope", "ring_frequency", "dwell_time", "burn_time"):
        before, after = WHOLE.columns[name], found.columns[name]
        # The noise of the channel is judged from other windows then.
        np.testing.assert_allclose(after.value, before.value, atol=0.5 * float(np.max(before.u)), rtol=1e-9)


@settings(max_examples=8, deadline=None)
@given(st.floats(0.01, 100.0), st.sampled_from([-1.0, 1.0]))
def test_gain_and_inversion_change_only_what_they_should(gain: float, sign: float) -> None:
    found = measured(sign * gain * VOLTS)
    for name in ("peak_voltage", "firing_voltage", "burn_voltage"):
        same(found, name, factor=sign * gain)
    for name in ("burn_slope", "burn_hash", "burn_step", "burn_curvature"):
        same(found, name, factor=gain, rel=1e-4)
    for name in (*IN_TIME, "burn_time", "dwell_time", "ring_frequency", "ring_damping_ratio", "ring_cycles"):
        same(found, name, rel=1e-5)


@settings(max_examples=6, deadline=None)
@given(st.floats(-5000.0, 5000.0))
def test_an_offset_changes_nothing(offset: float) -> None:
    found = measured(VOLTS + offset)
    for spec in QUANTITIES:
        same(found, spec.name, rel=1e-5)


def test_small_batches_equal_large_ones(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(firing_windows, "BATCH_SAMPLES", 10)
    found = measured(VOLTS)
    for spec in QUANTITIES:
        same(found, spec.name, rel=1e-9)
