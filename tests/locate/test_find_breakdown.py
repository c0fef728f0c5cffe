"""Rise and breakdown on drawn records whose instants are known."""

import numpy as np
import pytest

from sigkit.locate.find_breakdown import find_breakdown

INTERVAL_S = 2e-6


def _drawn(limit_s: float, burn: float) -> np.ndarray:
    """Dwell at -1, a current limit before time 0 where it ends in a decaying ring, and a burn line from 0 on."""
    t = (np.arange(600) - 300) * INTERVAL_S
    since = t + limit_s
    ring = 0.8 * np.exp(-np.maximum(since, 0) / 60e-6) * np.sin(2 * np.pi * np.maximum(since, 0) / 60e-6)
    row = np.where(since < 0, -1.0, ring)
    return np.where(t >= 0, burn, row)[None, :]


@pytest.mark.parametrize("limit_s", [120e-6, 180e-6, 230e-6])
@pytest.mark.parametrize("zero", [240, 300, 330])
def test_a_coil_running_into_its_current_limit_is_not_its_switching_off(limit_s, zero):
    # The limit's rise, from -1 to 0.6 and more, is twice as tall as the firing's.
    row = _drawn(limit_s, 0.8)
    assert row[0, 299] - row[0, 250] < 0.8 < row[0].max() - row[0].min()
    found = find_breakdown(row, zero, INTERVAL_S, 1e-3)
    assert found.coil_off[0] == pytest.approx(299.5, abs=1.5)
    assert found.breakdown[0] == pytest.approx(299.5, abs=1.5)


def test_without_a_burn_line_behind_any_rise_the_steepest_counts():
    # A gap that never conducts: a ring about the settled level, tallest in its first swing.
    t = (np.arange(600) - 300) * INTERVAL_S
    ring = 5.0 * np.exp(-np.maximum(t, 0) / 100e-6) * np.sin(2 * np.pi * np.maximum(t, 0) / 200e-6)
    found = find_breakdown(np.where(t < 0, -0.3, ring)[None, :], 300, INTERVAL_S, 1e-3)
    assert 298 < found.coil_off[0] < 312
