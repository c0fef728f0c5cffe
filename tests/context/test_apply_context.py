"""Context on simulated engines: roles, polarity, speed, absent firings, siblings."""

from __future__ import annotations

import numpy as np
import pytest

from sigkit.context.apply_context import apply_context
from sigkit.context.capture_info import CaptureInfo
from sigkit.context.siblings import sibling_columns
from sigkit.measure.measure_capture import measure_capture
from sigkit.types.firing_table import all_columns, row_count


def _in_context(made, **changes):
    capture = made.capture.with_(**changes)
    measured = measure_capture(capture)
    return apply_context(measured.table, [CaptureInfo.of(capture)]), measured


def _true_rows(made, table):
    truth = made.truth
    for row in range(row_count(table)):
        known = np.flatnonzero((truth["channel"] == table["channel"][row]) & ~truth["absent"])
        near = known[np.abs(truth["coil_off_s"][known] - table["time_s"][row]) < 1e-3]
        if near.size:
            yield row, near[0]


def test_roles_of_shared_coils_are_right_where_decided(shared_engines):
    right = decided = total = 0
    for made in shared_engines:
        table, _ = _in_context(made)
        for row, true in _true_rows(made, table):
            total += 1
            if table["role"][row] != "unknown":
                decided += 1
                right += table["role"][row] == made.truth["role"][true]
    assert total > 40
    assert right == decided
    assert decided >= 0.9 * total


def test_roles_need_no_sidecar(shared_engines):
    made = shared_engines[0]
    bare = tuple(c.with_(coil="", cylinder="", lead="") for c in made.capture.channels)
    table, _ = _in_context(made, channels=bare, ignition_type="", shared_coil_pairs=(), engine="")
    right = [table["role"][row] == made.truth["role"][true] for row, true in _true_rows(made, table)]
    assert np.mean(right) > 0.9


def test_single_coils_are_single_and_speed_is_that_of_the_engine(plug_engines):
    for made in plug_engines:
        table, _ = _in_context(made, engine_speed_rpm=None)
        assert set(table["role"]) == {"single"}
        for row, true in _true_rows(made, table):
            assert table["engine_speed_rpm"][row] == pytest.approx(made.truth["engine_speed_rpm"][true], rel=0.06)


def test_one_lead_has_one_polarity_even_where_a_firing_disagrees(plug_engines):
    made = plug_engines[0]
    measured = measure_capture(made.capture)
    rows = np.flatnonzero(measured.table["channel"] == made.capture.channels[0].name)
    true = int(measured.table["polarity"][rows[0]])
    measured.table["polarity"][rows[2]] = -true
    table = apply_context(measured.table, [CaptureInfo.of(made.capture)])
    own = table["channel"] == made.capture.channels[0].name
    assert set(table["polarity"][own]) == {true}
    assert -true in set(table["polarity_detected"][own])


def test_a_firing_taken_out_comes_back_as_absent(plug_engines):
    made = plug_engines[0]
    measured = measure_capture(made.capture)
    rows = np.flatnonzero(measured.table["channel"] == made.capture.channels[0].name)
    gone = rows[2]
    time_s = measured.table["time_s"][gone]
    table = {name: np.delete(column, gone) for name, column in measured.table.items()}
    result = apply_context(table, [CaptureInfo.of(made.capture)])
    absent = np.flatnonzero(result["flags"] == "absent")
    assert absent.size == 1
    assert result["time_s"][absent[0]] == pytest.approx(time_s, abs=2e-3)
    assert result["sparked"][absent[0]] == "unknown"
    assert result["burn_time_flag"][absent[0]] == "missing:absent"
    assert np.isnan(result["burn_time_ms"][absent[0]])


def test_columns_are_complete_and_siblings_of_equal_leads_are_near_one(plug_engines):
    table, measured = _in_context(plug_engines[1])
    assert list(table)[: len(all_columns())] == list(all_columns())
    assert set(sibling_columns()) <= set(table)
    ratio = table["burn_time_to_siblings"]
    assert np.nanmedian(ratio) == pytest.approx(1.0, abs=0.15)
    assert row_count(table) == row_count(measured.table)


def test_an_empty_table_stays_empty(plug_engines):
    capture = plug_engines[0].capture
    quiet = capture.with_(channels=tuple(c.with_(samples=np.zeros(2000)) for c in capture.channels))
    table, _ = _in_context(plug_engines[0], channels=quiet.channels)
    assert row_count(table) == 0
