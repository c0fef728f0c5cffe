"""Predictions as spreadsheets save them, and the shipped data set they may be scored on."""

from __future__ import annotations

import pytest

from sigkit.bench.evaluate import score_file
from sigkit.bench.prediction_table import read_predictions
from sigkit.bench.protocol import read_protocol
from sigkit.corpus.open_dataset import open_dataset
from sigkit.errors import SettingsError

CAPTURES = {"a.npz"}
POINTS = "capture,channel,time_s,burn_time_ms\na.npz,lead_1,0.125,1.5\n"


def as_saved(points: str, delimiter: str) -> str:
    """Return a table as a spreadsheet of a country with decimal commas saves it."""
    return points.replace(",", delimiter).replace("0.125", "0,125").replace("1.5", "1,5")


@pytest.mark.parametrize(
    "content",
    [
        POINTS.encode("utf-8-sig"),
        POINTS.encode("utf-16"),
        POINTS.replace("\n", "\r\n").encode(),
        POINTS.replace(",", ";").encode("utf-8-sig"),
        as_saved(POINTS, ";").encode("utf-8-sig"),
        as_saved(POINTS, "\t").encode(),
        (as_saved(POINTS, ";") + ";;;\n;;;\n").encode(),
        b'"capture","channel","time_s","burn_time_ms"\n"a.npz","lead_1","0.125","1.5"\n',
    ],
    ids=["mark", "utf-16", "crlf", "semicolons", "decimal commas", "tabs", "bare rows", "quoted"],
)
def test_the_same_table_saved_in_many_ways_reads_alike(tmp_path, content):
    path = tmp_path / "mine.csv"
    path.write_bytes(content)
    table = read_predictions(path, read_protocol("burn_time"), CAPTURES)
    assert list(table["capture"]) == ["a.npz"]
    assert list(table["channel"]) == ["lead_1"]
    assert table["time_s"].tolist() == [0.125]
    assert table["burn_time_ms"].tolist() == [1.5]


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (as_saved(POINTS, ",").encode(), r"line 2: not as many cells.*6, expected 4.*semicolons"),
        (POINTS.replace("1.5", '"1,5"').encode(), r"line 2, column burn_time_ms: '1,5' is no number.*semicolons"),
        (POINTS.replace("1.5", "1 000.5").encode(), r"line 2, column burn_time_ms: '1 000\.5' is no number"),
        (POINTS.replace("1.5", "1_5").encode(), r"line 2, column burn_time_ms: '1_5' is no number"),
        (as_saved(POINTS, ";").replace("1,5", "1.000,5").encode(), r"line 2, column burn_time_ms: '1\.000,5'"),
        (POINTS.replace("lead_1", "Zündung").encode("latin-1"), r"line 2: is no text in UTF-8; save it"),
        (POINTS.replace(",", "|").encode(), r"line 1: the column 'capture' is missing \(read with commas"),
        (POINTS.replace("a.npz", "b.npz").encode(), r"line 2, column capture: 'b\.npz' is not in the split"),
        (POINTS.replace("a.npz", "a.np").encode(), r"line 2, column capture: 'a\.np' is no capture.*such as 'a\.npz'"),
        (POINTS.replace("lead_1", '"lead_1').encode(), r"cannot be parted into cells.*mend the quotes"),
        (POINTS.replace("time_s,burn", "burn_time_ms,burn").encode(), r"line 1: the column 'time_s' is missing"),
        (b"\n" + POINTS.encode(), r"line 1: is empty; expected a header line with capture"),
        (b"PK\x03\x04\x00\x00", r"is no text but binary; save it as CSV"),
    ],
)
def test_what_cannot_be_read_is_told_with_file_place_and_remedy(tmp_path, content, words):
    path = tmp_path / "mine.csv"
    path.write_bytes(content)
    with pytest.raises(SettingsError, match=r"^mine\.csv.*" + words):
        read_predictions(path, read_protocol("burn_time"), CAPTURES, {"a.npz", "b.npz"})


@pytest.mark.parametrize("split", ["develop", "test"])
def test_the_truth_of_the_shipped_data_set_scores_full_marks_on_it(tmp_path, split):
    demo = open_dataset("demo")
    lines = ["capture;channel;time_s;burn_time_ms"]
    for row in demo.truth(split).to_pylist():
        if row["measurable"] and row["on_record"] and row["kind"] == "secondary_voltage":
            numbers = f"{row['coil_off_s']};{row['burn_time_ms']}".replace(".", ",")
            lines.append(f"{row['capture']};{row['channel']};{numbers}")
    path = tmp_path / "mine.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8-sig")
    scored = score_file(path, read_protocol("burn_time"), demo, split)
    assert scored.counted == len(lines) - 1
    assert scored.metrics["within 25 µs"]["value"] == 1.0


def test_a_data_set_without_truth_cannot_judge_and_says_what_to_do(tiny, tmp_path):
    import shutil

    protocol, dataset = tiny("burn_time")
    shutil.copytree(dataset.folder, tmp_path / "blind")
    (tmp_path / "blind" / "truth.parquet").unlink()
    (tmp_path / "blind" / "dataset.json").unlink()
    path = tmp_path / "mine.csv"
    path.write_text(POINTS, encoding="utf-8")
    with pytest.raises(SettingsError, match=r"blind has no truth\.parquet.*leave --data out"):
        score_file(path, protocol, open_dataset(tmp_path / "blind"), "develop")
    with pytest.raises(SettingsError, match=r"no engine in the split calibrate; it has develop, test"):
        score_file(path, protocol, dataset, "calibrate")


def test_a_split_that_holds_nothing_of_the_task_is_told_without_a_warning(tmp_path):
    demo = open_dataset("demo")
    path = tmp_path / "roles.csv"
    name = next(demo.captures("develop")).name
    path.write_text(f"capture,channel,time_s,role\n{name},lead_1,0.1,power\n", encoding="utf-8")
    # No engine of this split has a coil of two ends.
    assert not {"power", "waste"} & set(demo.truth("develop")["role"].to_pylist())
    with pytest.raises(SettingsError, match="the split holds no event that role speaks of"):
        score_file(path, read_protocol("role"), demo, "develop")
