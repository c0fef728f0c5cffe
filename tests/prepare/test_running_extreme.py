"""Running extremes, against those of scipy.ndimage."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import maximum_filter1d, minimum_filter1d

from sigkit.prepare.running_extreme import extremes_at, running_extreme, whole_windows


@pytest.mark.parametrize("width", [1, 2, 3, 5, 8, 31, 100])
@pytest.mark.parametrize("shape", [(40,), (3, 40)])
def test_they_are_those_of_scipy(width, shape):
    values = np.random.default_rng(width).normal(size=shape)
    values[..., 7], values[..., 20] = np.inf, -np.inf
    for before in {0, width // 2, width - 1}:
        # scipy counts the origin from the middle of the window.
        given = {"size": width, "axis": -1, "mode": "nearest", "origin": before - width // 2}
        for of, theirs in ((np.maximum, maximum_filter1d), (np.minimum, minimum_filter1d)):
            np.testing.assert_array_equal(running_extreme(values, width, before, of), theirs(values, **given))


def test_nothing_stays_nothing():
    assert running_extreme(np.zeros(0), 5, 2, np.maximum).shape == (0,)


@pytest.mark.parametrize("of", [np.minimum, np.maximum])
@pytest.mark.parametrize("width", [1, 2, 5, 7, 8])
def test_whole_windows_are_those_that_lie_within_the_row(of, width):
    values = np.random.default_rng(7).normal(size=(3, 40))
    wanted = of.reduce(np.lib.stride_tricks.sliding_window_view(values, width, axis=1), axis=2)
    np.testing.assert_array_equal(whole_windows(values, width, of), wanted)
    for done in range(1, width + 1):
        np.testing.assert_array_equal(whole_windows(whole_windows(values, done, of), width, of, done), wanted)


def test_extremes_of_a_few_windows_are_those_of_their_values():
    rng = np.random.default_rng(4)
    values, widths = rng.normal(size=(3, 50)), np.array([1, 4, 7, 16, 33])
    begin = rng.integers(-5, 60, size=(3, 6, widths.size))
    for of in (np.maximum, np.minimum):
        found = extremes_at(values, begin, widths, of)
        for at in np.ndindex(begin.shape):
            first = min(max(begin[at], 0), 49)
            assert found[at] == of.reduce(values[at[0], first : first + widths[at[2]]])
