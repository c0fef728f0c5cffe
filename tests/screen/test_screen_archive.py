"""A run end to end: what it writes, and that nothing but the recordings changes a number."""

import csv
import json
import shutil

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest

from sigkit.errors import SettingsError, SigkitError
from sigkit.report.report_folder import REPORT_FILES
from sigkit.report.write_tables import CAPTURE_COLUMNS
from sigkit.screen.screen_archive import screen_archive


def rows_of(path):
    with open(path, newline="", encoding="utf-8") as stream:
        return list(csv.DictReader(stream))


def comparable(out):
    """Everything a run says but the clock: tables to the byte, the page without its date."""
    texts = {name: (out / name).read_bytes() for name in ("firings.csv", "captures.csv", "rejected.csv")}
    tables = {name: pq.read_table(out / name).to_pydict() for name in ("firings.parquet", "intervals.parquet")}
    page = (out / "report.html").read_text(encoding="utf-8")
    return texts, {name: repr(table) for name, table in tables.items()}, page[page.index("<main>") :]


def test_a_run_writes_exactly_the_files_of_the_design(screened):
    assert sorted(path.name for path in screened[0].iterdir()) == sorted(REPORT_FILES)
    assert [path.name for path in screened[0].parent.iterdir()] == ["report"]


def test_counts_agree_between_all_outputs(screened):
    out, summary = screened
    record = json.loads((out / "run.json").read_text())
    captures, rejected = rows_of(out / "captures.csv"), rows_of(out / "rejected.csv")
    firings = pd.read_csv(out / "firings.csv")
    found = firings[firings["flags"].fillna("").str.split().map(lambda flags: "absent" not in flags)]
    assert record["counts"]["captures"] == len(captures) == summary.captures
    assert record["counts"]["rejected"] == len(rejected) == summary.rejected
    judged = found[found["channel_kind"].isin(["secondary_voltage", "primary_voltage", "unknown"])]
    assert record["counts"]["firings"] == sum(int(row["firings"]) for row in captures) == summary.firings == len(judged)
    assert tuple(captures[0]) == CAPTURE_COLUMNS
    assert record["versions"]["sigkit"]


def test_no_input_gets_lost(screened, small_archive):
    out, _ = screened
    files = {str(path.relative_to(small_archive)) for path in small_archive.rglob("*") if path.is_file()}
    files.discard("captures.csv")
    told = {row["recording"] for row in rows_of(out / "captures.csv")} | {
        row["capture"] for row in rows_of(out / "rejected.csv")
    }
    assert files == told


def test_rejected_inputs_say_why_and_what_to_do(screened, small_archive):
    rows = {row["capture"]: row for row in rows_of(screened[0] / "rejected.csv")}
    assert {f"damaged/{path.name}" for path in (small_archive / "damaged").iterdir()} == set(rows)
    assert all(row["reason"] and row["remedy"] for row in rows.values())
    assert rows["damaged/words.csv"]["place"].startswith("line ")


def test_a_record_without_firings_is_a_result_not_an_error(screened):
    row = next(row for row in rows_of(screened[0] / "captures.csv") if row["capture"] == "hum.npz")
    assert row["verdict"] == "no firings found"
    assert row["score"] == ""
    assert row["firings"] == "0"
    assert "No firing was found" in row["reasons"]
    assert "pickup" in row["advice"]


def test_captures_come_worst_first(screened):
    scores = [float(row["score"]) for row in rows_of(screened[0] / "captures.csv") if row["score"]]
    assert scores == sorted(scores, reverse=True)
    assert len(scores) >= 5


@pytest.mark.parametrize("workers", [2, 4])
def test_the_number_of_workers_changes_nothing(screened, small_archive, tmp_path, workers):
    screen_archive([str(small_archive)], tmp_path / "report", workers=workers, progress=False)
    assert comparable(tmp_path / "report") == comparable(screened[0])


def test_the_order_of_files_changes_no_number(small_archive, tmp_path):
    files = sorted(str(path) for folder in ("dipper", "otter") for path in (small_archive / folder).iterdir())[:4]
    for name, order in (("forward", files), ("backward", files[::-1])):
        screen_archive(order, tmp_path / name, workers=1, progress=False)
    assert comparable(tmp_path / "forward") == comparable(tmp_path / "backward")


def test_the_read_size_changes_no_number(small_archive, tmp_path, monkeypatch):
    from sigkit.prepare import block_summary

    screen_archive([str(small_archive / "dipper")], tmp_path / "whole", workers=1, progress=False)
    defaults = block_summary.summarise_blocks.__defaults__
    monkeypatch.setattr(block_summary.summarise_blocks, "__defaults__", (997, *defaults[1:]))
    screen_archive([str(small_archive / "dipper")], tmp_path / "pieces", workers=1, progress=False)
    assert comparable(tmp_path / "whole") == comparable(tmp_path / "pieces")


def test_an_earlier_report_inside_the_archive_is_no_capture(small_archive, tmp_path):
    archive = tmp_path / "archive"
    shutil.copytree(small_archive / "dipper", archive)
    first = screen_archive([str(archive)], archive / "report", workers=1, progress=False)
    again = screen_archive([str(archive)], archive / "report", workers=1, overwrite=True, progress=False)
    other = screen_archive([str(archive)], tmp_path / "elsewhere", workers=1, progress=False)
    assert first.captures == again.captures == other.captures == 3
    assert other.rejected == again.rejected == first.rejected == 0


def test_an_output_in_the_way_is_refused_before_any_work(small_archive, tmp_path):
    (tmp_path / "report").mkdir()
    (tmp_path / "report" / "notes.txt").write_text("keep")
    with pytest.raises(SettingsError, match="exists already"):
        screen_archive([str(small_archive)], tmp_path / "report", progress=False)
    assert (tmp_path / "report" / "notes.txt").read_text() == "keep"


def test_what_does_not_exist_is_an_error(tmp_path):
    with pytest.raises(SigkitError, match="nowhere"):
        screen_archive([str(tmp_path / "nowhere")], tmp_path / "report", progress=False)
    assert not (tmp_path / "report").exists()


def test_nothing_usable_still_gives_a_report(small_archive, tmp_path):
    summary = screen_archive([str(small_archive / "damaged")], tmp_path / "report", workers=1, progress=False)
    assert (summary.captures, summary.firings) == (0, 0)
    assert summary.rejected == 3
    assert "Nothing could be used" in (tmp_path / "report" / "report.html").read_text(encoding="utf-8")
    assert pq.read_table(tmp_path / "report" / "firings.parquet").num_rows == 0


def test_without_a_model_every_condition_is_unknown_and_said_so(small_archive, tmp_path, monkeypatch):
    from sigkit.screen import screen_archive as room

    monkeypatch.setattr(room, "load_default_model", lambda: None)
    room.screen_archive([str(small_archive / "dipper")], tmp_path / "report", workers=1, progress=False)
    assert set(pq.read_table(tmp_path / "report" / "firings.parquet")["condition"].to_pylist()) == {"unknown"}
    assert "No condition model was available" in (tmp_path / "report" / "report.html").read_text(encoding="utf-8")
    assert json.loads((tmp_path / "report" / "run.json").read_text())["model"] is None


def test_a_file_that_breaks_the_measuring_is_told_and_the_rest_goes_on(small_archive, tmp_path, monkeypatch):
    from sigkit.screen import screen_source as room

    real = room.measure_capture

    def breaks(capture):
        if capture.name.endswith("01.csv"):
            raise FloatingPointError("invented fault")
        return real(capture)

    monkeypatch.setattr(room, "measure_capture", breaks)
    summary = screen_archive([str(small_archive / "dipper")], tmp_path / "report", workers=1, progress=False)
    assert (summary.captures, summary.rejected) == (2, 1)
    row = rows_of(tmp_path / "report" / "rejected.csv")[0]
    assert "invented fault" in row["reason"]


def test_numbers_of_a_run_are_those_of_measuring_one_file(screened, small_archive):
    from sigkit.capture.open_captures import open_captures
    from sigkit.measure.measure_capture import measure_capture

    path = sorted((small_archive / "dipper").iterdir())[0]
    alone = measure_capture(next(iter(open_captures([str(path)])))).table
    stored = pd.read_parquet(screened[0] / "firings.parquet")
    mine = stored[(stored["capture"] == f"dipper/{path.name}") & (stored["firing"] >= 0)]
    for column in ("time_s", "burn_time_ms", "peak_voltage_V", "dwell_time_ms"):
        assert np.array_equal(mine[column].to_numpy(float), alone[column].astype(float), equal_nan=True)
