"""Rise and breakdown on drawn records whose instants are known."""

import numpy as np
import pytest

from sigkit.locate.find_breakdown import find_breakdown
from sigkit.locate.rise_choice import PLACES, greatest_rises

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
def test_rise_and_breakdown_behind_a_current_limit(limit_s, zero):
    # The limit's rise, from -1 to 0.6 and more, is twice as tall as the firing's.
    row = _drawn(limit_s, 0.8)
    assert row[0, 299] - row[0, 250] < 0.8 < row[0].max() - row[0].min()
    column, _ = greatest_rises(row, zero, INTERVAL_S)
    assert abs(column[0, 0] - 300 + limit_s / INTERVAL_S) < 15
    # The firing's own rise, which arrives within 40 us, is among those that are judged.
    own = column[0, (column[0] >= 298) & (column[0] <= 322)]
    assert own.size
    found = find_breakdown(row, own[:1], column[:, 0], INTERVAL_S, 1e-3)
    assert found.coil_off[0] == pytest.approx(299.5, abs=1.5)
    assert found.breakdown[0] == pytest.approx(299.5, abs=1.5)


def test_a_gap_that_never_conducts_rises_into_the_first_swing():
    # A ring about the settled level, tallest in its first swing.
    t = (np.arange(600) - 300) * INTERVAL_S
    ring = 5.0 * np.exp(-np.maximum(t, 0) / 100e-6) * np.sin(2 * np.pi * np.maximum(t, 0) / 200e-6)
    row = np.where(t < 0, -0.3, ring)[None, :]
    column, _ = greatest_rises(row, 300, INTERVAL_S)
    found = find_breakdown(row, column[:, 0], column[:, 0], INTERVAL_S, 1e-3)
    assert 298 < found.coil_off[0] < 312


def test_rises_come_greatest_first_and_apart():
    rng = np.random.default_rng(4)
    rows = rng.normal(size=(20, 900))
    rows[:, :50] = np.nan
    column, gain = greatest_rises(rows, 400, INTERVAL_S)
    assert column.shape == gain.shape == (20, PLACES)
    assert np.all(np.diff(gain, axis=1) <= 0)
    assert np.all(np.diff(np.sort(column, axis=1), axis=1) > 20)
    width = 20
    swing = rows[:, width:] - rows[:, :-width]
    np.testing.assert_allclose(gain[:, 0], np.nanmax(swing[:, 400 - 225 - width : 400 + 175 + 1 - width], axis=1))


def test_a_row_that_never_rises_has_no_rise():
    column, gain = greatest_rises(-np.arange(900.0)[None, :], 400, INTERVAL_S)
    assert np.isnan(gain).all()
    assert np.all(column == 400)
