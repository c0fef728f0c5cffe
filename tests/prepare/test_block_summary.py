"""Blocks against plain numpy, and the same for every read length."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sigkit.prepare.block_summary import block_length, summarise_blocks
from sigkit.types.channel import Channel


@given(count=st.integers(1, 3000), rate=st.sampled_from([2e4, 1.3e5, 1e6]), read=st.integers(1, 4000),
       seed=st.integers(0, 100))  # fmt: skip
@settings(max_examples=60, deadline=None)
def test_the_read_length_changes_nothing_and_numpy_agrees(count, rate, read, seed):
    samples = np.random.default_rng(seed).integers(-30_000, 30_000, count).astype(np.int16)
    channel = Channel("1", samples, rate, scale=-0.5, zero=7.0)
    whole, part = summarise_blocks(channel), summarise_blocks(channel, read)
    for name in ("minimum", "maximum", "mean", "mean_square"):
        np.testing.assert_array_equal(getattr(whole, name), getattr(part, name))
    length = block_length(rate)
    values = channel.values()
    rows = [values[i : i + length] for i in range(0, count, length)]
    np.testing.assert_allclose(whole.minimum, [r.min() for r in rows])
    np.testing.assert_allclose(whole.maximum, [r.max() for r in rows])
    np.testing.assert_allclose(whole.mean, [r.mean() for r in rows], rtol=1e-9, atol=1e-6)
    np.testing.assert_allclose(whole.mean_square, [np.mean(r**2) for r in rows], rtol=1e-6, atol=1e-3)


def test_blocks_begin_at_sample_zero_whatever_the_length():
    channel = Channel("1", np.arange(101.0), 1e6)
    assert summarise_blocks(channel).maximum.tolist() == [49.0, 99.0, 100.0]
    assert summarise_blocks(channel).count == 101


@pytest.mark.parametrize(("rate", "length"), [(20e3, 1), (200e3, 10), (5e6, 250)])
def test_a_block_is_fifty_microseconds(rate, length):
    assert block_length(rate) == length
