"""One walk reduces wanted and wide spans as block by block, the others to what their extremes tell."""

from __future__ import annotations

import numpy as np
import pytest

from sigkit.detect import span_filler, walk_spans
from sigkit.detect.fine_blocks import Level, fine_blocks
from sigkit.detect.level_blocks import SPAN_BLOCKS

LENGTH = 25
SIZE = SPAN_BLOCKS * LENGTH
SPANS = 60
LIMIT = 40.0


@pytest.fixture
def samples():
    """Noise, every fourth span ten times as wide, and a rest of three blocks, the last of them short."""
    rng = np.random.default_rng(6)
    values = rng.integers(-10, 11, SPANS * SIZE + 2 * LENGTH + 7)
    for first in range(0, SPANS * SIZE, 4 * SIZE):
        values[first : first + SIZE] *= 10
    return values.astype(np.int16)


@pytest.fixture(params=[1 << 20, 7 * SIZE])
def groups(request, monkeypatch):
    """All spans in one group, or a few groups and copies in each."""
    monkeypatch.setattr(walk_spans, "READ_SAMPLES", request.param)
    monkeypatch.setattr(span_filler, "COPIED_SAMPLES", request.param // 3)


def _block_by_block(samples, level):
    blocks = [samples[first : first + LENGTH] for first in range(0, samples.size, LENGTH)]
    return np.concatenate([fine_blocks(block[None, :].copy(), level) for block in blocks], axis=1)


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.usefixtures("groups")
def test_wide_and_wanted_spans_are_reduced_closely(samples, sign):
    level = Level(3.0, 2.0, sign)
    wanted = np.zeros(SPANS, dtype=bool)
    wanted[[1, 58]] = True
    walked = walk_spans.walk_spans(samples, LENGTH, level, wanted, LIMIT)
    np.testing.assert_array_equal(walked.looked, wanted | (np.arange(SPANS) % 4 == 0))
    assert walked.record_width == np.ptp(samples)
    np.testing.assert_array_equal(walked.width, np.ptp(samples[: SPANS * SIZE].reshape(SPANS, SIZE), axis=1))
    closely = np.append(np.repeat(walked.looked, SPAN_BLOCKS), [True] * 3)
    wanted_blocks = _block_by_block(samples, level)
    np.testing.assert_allclose(walked.held[:, closely], wanted_blocks[:, closely], rtol=1e-5, atol=1e-5)
    rough = walked.held[:, ~closely].reshape(4, -1, SPAN_BLOCKS)
    spans = wanted_blocks[:, : SPANS * SPAN_BLOCKS].reshape(4, SPANS, SPAN_BLOCKS)[:, ~walked.looked]
    low, high = spans[0].min(axis=1), spans[1].max(axis=1)
    for row, value in enumerate((low, high, (low + high) / 2, span_filler.SCATTER_SHARE * (high - low))):
        np.testing.assert_allclose(rough[row], np.repeat(value, SPAN_BLOCKS).reshape(-1, SPAN_BLOCKS), rtol=1e-5)


@pytest.mark.parametrize("some", [True, False])
@pytest.mark.usefixtures("groups")
def test_looking_at_the_others_leaves_no_rough_span(samples, some):
    level = Level(0.0, 1.0, 1)
    column = np.stack([samples, samples], axis=1)[:, 0]
    wanted = np.full(SPANS, some)
    wanted[::3] = False
    walked = walk_spans.walk_spans(column, LENGTH, level, wanted, 1e9)
    assert not walked.looked.all()
    walk_spans.look_at_others(column, LENGTH, level, walked)
    assert walked.looked.all()
    np.testing.assert_allclose(walked.held, _block_by_block(samples, level), rtol=1e-5, atol=1e-5)
