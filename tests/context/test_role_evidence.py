"""Likelihood of roles from the readings of the two ends of a coil."""

from __future__ import annotations

import numpy as np
import pytest

from sigkit.context.role_evidence import block_likelihood

SIGNS = np.array([[1, -1, 1, -1], [-1, 1, -1, 1], [1, 1, -1, -1]])


def end(peak=None, burn=None, clipped=None, marked=None):
    blank = np.full(4, np.nan)
    return {
        "peak": blank if peak is None else np.log(peak),
        "burn": blank if burn is None else np.log(burn),
        "rise": blank,
        "marked": blank if marked is None else np.array(marked, dtype=float),
        "clipped": blank if clipped is None else np.array(clipped, dtype=float),
    }


def test_no_reading_tells_nothing():
    likelihood, _ = block_likelihood(end(), end())
    np.testing.assert_allclose(likelihood(SIGNS), likelihood(SIGNS)[0])


def test_exchanged_ends_exchange_the_roles():
    one, other = end([9.0, 3.0, 8.0, 2.5], clipped=[1, 0, 0, 0]), end([2.0, 7.0, 3.0, 8.5], clipped=[0, 0, 0, 1])
    there, back = block_likelihood(one, other)[0](SIGNS), block_likelihood(other, one)[0](-SIGNS)
    np.testing.assert_allclose(there, back)
    assert there.argmax() == 0


@pytest.mark.parametrize("factor", [0.1, 20.0])
def test_the_scale_of_one_end_alone_tells_nothing(factor):
    levels = np.array([9.0, 3.0, 8.0, 2.5])
    own, scaled = block_likelihood(end(levels), end()), block_likelihood(end(factor * levels), end())
    np.testing.assert_allclose(own[0](SIGNS), scaled[0](SIGNS))


def test_kinds_that_agree_tell_more_than_one_and_a_sorter_comes_of_each():
    peak, burn = [9.0, 3.0, 8.0, 2.5], [1.4, 1.0, 1.45, 0.95]
    both, sorters = block_likelihood(end(peak, burn), end())
    alone, fewer = block_likelihood(end(peak), end())
    assert np.subtract(*both(SIGNS[:2])) > np.subtract(*alone(SIGNS[:2])) > 2.0
    assert len(sorters) == len(fewer) + 1


def test_pulses_outweigh_levels_that_say_the_reverse():
    reverse = np.array([3.0, 9.0, 2.5, 8.0])
    assert block_likelihood(end(reverse), end())[0](SIGNS).argmax() == 1
    assert block_likelihood(end(reverse, marked=[1, 0, 1, 0]), end())[0](SIGNS).argmax() == 0
    assert block_likelihood(end(), end(marked=[0, 1, 0, 1]))[0](SIGNS).argmax() == 0
