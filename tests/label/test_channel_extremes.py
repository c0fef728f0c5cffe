"""What goes to the screen holds every spike and, where it fits, every sample."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sigkit.label.channel_extremes import BLOCK, EXACT_SAMPLES, ChannelExtremes
from sigkit.types.channel import Channel


@given(st.integers(0, 20_000), st.integers(1, 20_000), st.integers(1, 300), st.integers(0, 3))
def test_every_stretch_holds_the_extremes_of_its_samples(start, length, buckets, seed):
    samples = np.random.default_rng(seed).integers(-2000, 2000, 20_000).astype(np.int16)
    channel = Channel("1", samples, 1e6, scale=0.5, zero=10.0)
    stop = min(start + length, len(samples))
    part = ChannelExtremes(channel).trace(start, stop, buckets)
    if stop <= start:
        assert part.values.size == 0
        return
    if part.exact:
        assert stop - start <= EXACT_SAMPLES * buckets
        np.testing.assert_array_equal(part.values, ((samples[start:stop] - 10.0) * 0.5).astype(np.float32))
        return
    pairs = part.values.reshape(-1, 2)
    assert pairs.shape[0] <= 2 * buckets + 2
    assert part.first <= start
    assert part.first + part.step * len(pairs) >= stop
    for number, (low, high) in enumerate(pairs):
        stretch = (samples[part.first + number * part.step :][: part.step] - 10.0) * 0.5
        assert low == stretch.min()
        assert high == stretch.max()


def test_stored_blocks_and_direct_reduction_agree_on_a_long_record():
    samples = np.random.default_rng(1).normal(size=3_000_001).astype(np.float32)
    made = ChannelExtremes(Channel("1", samples, 1e6))
    part = made.trace(0, len(samples), 700)
    assert part.step % BLOCK == 0
    pairs = part.values.reshape(-1, 2)
    for number in (0, 1, len(pairs) // 2, len(pairs) - 1):
        stretch = samples[number * part.step : (number + 1) * part.step]
        assert pairs[number].tolist() == [stretch.min(), stretch.max()]


def test_one_spike_of_one_sample_is_seen_at_every_zoom():
    samples = np.zeros(2_000_000, dtype=np.int16)
    samples[1_234_567] = -900
    made = ChannelExtremes(Channel("1", samples, 1e6))
    for width in (2_000_000, 1_000_000, 100_000, 5_000, 100):
        begin = max(0, 1_234_567 - width // 2)
        assert made.trace(begin, begin + width, 600).values.min() == -900.0


@pytest.mark.parametrize("dtype", [np.float32, np.float64])
def test_missing_samples_hide_no_others(dtype):
    samples = np.arange(100_000, dtype=dtype)
    samples[::2] = np.nan
    part = ChannelExtremes(Channel("1", samples, 1e6)).trace(0, 100_000, 10)
    assert np.isfinite(part.values).all()
    assert part.values.max() == 99_999.0


def test_panning_by_a_pixel_keeps_the_stretches():
    samples = np.random.default_rng(3).normal(size=1_000_000)
    made = ChannelExtremes(Channel("1", samples, 1e6))
    one, other = made.trace(10_000, 210_000, 500), made.trace(10_400, 210_400, 500)
    assert one.step == other.step
    shift = 2 * (other.first - one.first) // one.step
    np.testing.assert_array_equal(one.values[shift : shift + 500], other.values[:500])
