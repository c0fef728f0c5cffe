"""The settled level of records of any length."""

from __future__ import annotations

import numpy as np
import pytest

from sigkit.prepare.block_summary import summarise_blocks
from sigkit.prepare.settled_level import settled_level
from sigkit.types.channel import Channel


@pytest.mark.parametrize("samples", [1, 2, 3, 5, 200])
def test_a_constant_record_of_any_length_is_at_its_level(samples):
    blocks = summarise_blocks(Channel("1", np.full(samples, 1.5), 100e3))
    level = settled_level(blocks, 100e3)
    assert level.size == blocks.mean.size >= 1
    np.testing.assert_allclose(level, 1.5)
