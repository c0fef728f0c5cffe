"""Tables: order, digits, empties; read back by pyarrow and pandas, which know nothing of sigkit."""

import csv
import json

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest

from sigkit.report.write_tables import (
    CAPTURE_COLUMNS,
    FiringTableWriter,
    arrow_table,
    read_firings,
    write_captures,
    write_firings,
    write_rejected,
    write_run_record,
)
from sigkit.types.firing_table import INTERVAL_COLUMNS, all_columns
from sigkit.types.measurements import QUANTITIES

# The order the design fixes, written out here a second time on purpose.
DESIGN_ORDER = """
    capture channel firing event engine coil cylinder role polarity time_s sparked coil_on_s
    coil_off_s breakdown_s burn_end_s burn_time_ms conduction_intervals peak_voltage_V
    firing_voltage_V burn_voltage_V burn_slope_V_per_ms burn_hash_V ring_frequency_Hz
    ring_damping_ratio ring_cycles dwell_time_ms engine_speed_rpm condition condition_probability
    condition_set flags
""".split()  # noqa: SIM905


@pytest.fixture
def intervals():
    table = {name: np.array([0.1]) for name in INTERVAL_COLUMNS}
    table.update(capture=np.array(["a"], dtype=object), channel=np.array(["b"], dtype=object))
    table.update({name: np.array([0]) for name in ("firing", "strike", "interval")})
    return table


def test_columns_stand_in_the_order_of_the_design(tmp_path, invented, intervals):
    write_firings(tmp_path, invented[1], intervals)
    for names in (
        pq.read_schema(tmp_path / "firings.parquet").names,
        list(pd.read_csv(tmp_path / "firings.csv").columns),
    ):
        assert names[: len(DESIGN_ORDER)] == DESIGN_ORDER
        assert {f"{q.name}_flag" for q in QUANTITIES} <= set(names)
    assert pq.read_schema(tmp_path / "intervals.parquet").names == list(INTERVAL_COLUMNS)


def test_parquet_holds_every_number_exactly(tmp_path, invented, intervals):
    table = invented[1]
    write_firings(tmp_path, table, intervals)
    back = pq.read_table(tmp_path / "firings.parquet")
    for name in all_columns():
        column = back[name].to_numpy()
        if table[name].dtype == object:
            assert column.tolist() == table[name].tolist()
        else:
            assert np.array_equal(column.astype(float), table[name].astype(float), equal_nan=True)


def test_csv_agrees_within_a_twentieth_of_the_uncertainty(tmp_path, invented, intervals):
    table = invented[1]
    write_firings(tmp_path, table, intervals)
    read = pd.read_csv(tmp_path / "firings.csv", keep_default_na=True)
    for q in QUANTITIES:
        value, u = table[q.column], table[q.u_column]
        known = np.isfinite(value)
        assert np.array_equal(read[q.column].isna(), ~known)
        assert np.all(np.abs(read[q.column][known] - value[known]) <= 0.05001 * u[known])


def test_missing_numbers_are_empty_not_a_word(tmp_path, invented, intervals):
    write_firings(tmp_path, invented[1], intervals)
    with open(tmp_path / "firings.csv", newline="", encoding="utf-8") as stream:
        rows = list(csv.DictReader(stream))
    absent = next(row for row in rows if row["flags"] == "absent")
    assert absent["burn_time_ms"] == absent["burn_time_u_ms"] == absent["condition_probability"] == ""
    assert absent["burn_time_flag"] == "missing:not_judged"
    assert "nan" not in (tmp_path / "firings.csv").read_text(encoding="utf-8").lower().split(",")


def test_pieces_join_in_order_and_further_columns_follow(tmp_path, build_invented, intervals):
    first, second = build_invented(n=3, name="a.csv")[1], build_invented(n=4, name="b.csv")[1]
    second = dict(second, zeal=np.arange(len(second["capture"])) * 1.5, note=np.full(len(second["capture"]), "x"))
    writer = FiringTableWriter(tmp_path)
    writer.append(first, intervals)
    writer.append(second, intervals)
    writer.close()
    back = pq.read_table(tmp_path / "firings.parquet")
    assert back.column_names[-2:] == ["note", "zeal"]
    assert back["capture"].to_pylist() == ["a.csv"] * 12 + ["b.csv"] * 16
    assert back["zeal"].null_count == 12
    assert sorted(path.name for path in tmp_path.iterdir()) == [
        "firings.csv",
        "firings.parquet",
        "intervals.parquet",
    ]
    assert sum(len(part["capture"]) for part in read_firings(tmp_path, 5)) == 28


def test_an_empty_run_still_writes_the_columns(tmp_path):
    FiringTableWriter(tmp_path).close()
    assert pq.read_table(tmp_path / "firings.parquet").num_rows == 0
    assert list(pd.read_csv(tmp_path / "firings.csv").columns) == list(all_columns())


def test_text_with_quotes_commas_and_line_breaks_survives(tmp_path, invented, intervals):
    nasty = 'a "quoted", name\nover lines.csv'
    table = dict(invented[1], capture=np.full(len(invented[1]["capture"]), nasty, dtype=object))
    write_firings(tmp_path, table, intervals)
    assert set(pd.read_csv(tmp_path / "firings.csv")["capture"]) == {nasty}
    write_captures(tmp_path, [{"capture": nasty, "score": 12.0, "reasons": ["one, two", 'say "three"']}])
    with open(tmp_path / "captures.csv", newline="", encoding="utf-8") as stream:
        row = next(csv.DictReader(stream))
    assert row["capture"] == nasty
    assert row["reasons"] == 'one, two; say "three"'
    assert row["score"] == "12"


def test_captures_and_rejected_refuse_unknown_columns(tmp_path):
    with pytest.raises(KeyError, match="colour"):
        write_captures(tmp_path, [{"capture": "a", "colour": "red"}])
    write_rejected(tmp_path, [{"capture": "a", "place": "line 7", "reason": "no number", "remedy": "export again"}])
    assert (tmp_path / "rejected.csv").read_text().splitlines() == [
        "capture,place,reason,remedy",
        "a,line 7,no number,export again",
    ]
    assert CAPTURE_COLUMNS[:5] == ("capture", "engine", "verdict", "score", "reasons")


def test_run_record_is_plain_json(tmp_path):
    write_run_record(tmp_path, {"program": "sigkit screen", "counts": {"firings": 3}})
    assert json.loads((tmp_path / "run.json").read_text())["counts"]["firings"] == 3
    with pytest.raises(ValueError, match="not JSON compliant"):
        write_run_record(tmp_path, {"rate": float("nan")})


def test_a_missing_fixed_column_is_an_error(invented):
    table = {name: column for name, column in invented[1].items() if name != "time_s"}
    with pytest.raises(KeyError, match="time_s"):
        arrow_table(table, all_columns())
