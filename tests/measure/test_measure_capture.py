"""A whole capture: rows, columns and intervals hang together."""

from __future__ import annotations

import numpy as np
import pytest

from sigkit.measure.measure_capture import measure_capture
from sigkit.types.firing_table import INTERVAL_COLUMNS, all_columns, row_count


def test_rows_go_channel_by_channel_with_every_column(plug_engines):
    measured = measure_capture(plug_engines[0].capture)
    table = measured.table
    assert list(table)[: len(all_columns())] == list(all_columns())
    for channel, firings in zip(measured.capture.channels, measured.firings, strict=True):
        rows = measured.rows_of(channel.name)
        assert rows.stop - rows.start == len(firings)
        assert set(table["channel"][rows]) == {channel.name}
        assert np.all(np.diff(table["time_s"][rows]) > 0)
    assert np.isfinite(table["time_s"]).all()


def test_intervals_belong_to_rows_and_add_up_to_the_conduction_time(plug_engines):
    measured = measure_capture(plug_engines[0].capture)
    found, table = measured.intervals, measured.table
    assert set(found) == set(INTERVAL_COLUMNS)
    for row in range(row_count(table)):
        own = (found["channel"] == table["channel"][row]) & (found["firing"] == table["firing"][row])
        assert own.sum() == table["conduction_intervals"][row]
        if own.any() and np.isfinite(table["conduction_time_ms"][row]):
            total = (found["stop_s"][own] - found["start_s"][own]).sum() * 1e3
            assert total == pytest.approx(table["conduction_time_ms"][row], abs=1e-6)


def test_an_unknown_channel_is_named_in_the_error(plug_engines):
    with pytest.raises(KeyError, match="no-such"):
        measure_capture(plug_engines[0].capture).rows_of("no-such")
