"""Opening a data set: what it gives, and every rule it refuses to break, with place and remedy."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from sigkit.corpus.dataset import Dataset
from sigkit.corpus.describe import write_description
from sigkit.corpus.label_journal import LabelJournal, new_entry_id
from sigkit.corpus.label_record import FiringLabel
from sigkit.errors import DatasetError
from sigkit.shipped import demo_archive


def edit(path: Path, before: str, after: str) -> None:
    text = path.read_text(encoding="utf-8")
    assert before in text
    path.write_text(text.replace(before, after, 1), encoding="utf-8")


def refresh(folder: Path) -> None:
    """Let the metadata follow a deliberate change, so that only the rule under test is broken."""
    told = json.loads((folder / "dataset.json").read_text(encoding="utf-8"))
    told["distribution"] = []
    (folder / "dataset.json").write_text(json.dumps(told), encoding="utf-8")


def refused(folder: Path, match: str) -> str:
    with pytest.raises(DatasetError, match=match) as caught:
        Dataset.open(folder)
    assert "To mend it: " in str(caught.value)
    return str(caught.value)


def test_demo_opens_with_truth_by_split():
    opened = Dataset.open(demo_archive().parent)
    assert opened.manifest.num_rows == 52
    assert set(opened.splits.values()) == {"train", "calibrate", "develop", "test"}
    truth = opened.truth()
    assert truth is not None
    parts = [opened.truth(split) for split in ("train", "calibrate", "develop", "test")]
    assert sum(part.num_rows for part in parts if part is not None) == truth.num_rows
    test_engines = {engine for engine, split in opened.splits.items() if split == "test"}
    assert {capture.engine for capture in opened.captures("test")} == test_engines
    assert sum("damaged" in note for note in opened.notes) == 3


def test_captures_carry_the_manifests_names_and_engines(ferry):
    opened = Dataset.open(ferry)
    found = list(opened.captures())
    assert [one.name for one in found] == opened.manifest["capture"].to_pylist()
    assert [one.engine for one in found] == opened.manifest["engine"].to_pylist()
    assert [[c.cylinder for c in one.channels] for one in found] == [["1", "2"]] * 4
    assert opened.readers == ("r01", "r02")
    assert len(opened.firing_labels("r01")) == 32
    assert opened.truth() is None


def test_hash_follows_content_and_not_the_place(ferry, tmp_path):
    import shutil

    first = Dataset.open(ferry).dataset_hash
    moved = shutil.copytree(ferry, tmp_path / "elsewhere")
    assert Dataset.open(moved).dataset_hash == first
    edit(ferry / "labels" / "r01.jsonl", '"certainty":"sure"', '"certainty":"unsure"')
    assert Dataset.open(ferry).dataset_hash != first


def test_engine_in_two_splits(ferry):
    with open(ferry / "splits.csv", "a", encoding="utf-8") as stream:
        stream.write("e01,train\n")
    refresh(ferry)
    assert "line 6" in refused(ferry, "'e01' stands in two splits, test and train")


def test_engine_in_no_split(ferry):
    edit(ferry / "splits.csv", "e04,calibrate\n", "")
    refresh(ferry)
    refused(ferry, "'e04' of manifest.csv is in no split")


def test_split_of_no_engine(ferry):
    edit(ferry / "splits.csv", "e04,calibrate\n", "e04,calibrate\ne09,train\n")
    refresh(ferry)
    refused(ferry, "'e09' has no capture")


def test_unknown_column(ferry):
    edit(ferry / "manifest.csv", "contributor", "colour")
    refresh(ferry)
    assert "column colour" in refused(ferry, "'colour' is not known")


def test_number_column_without_a_unit(ferry):
    path = ferry / "manifest.csv"
    lines = path.read_text(encoding="utf-8").splitlines()
    path.write_text("\n".join([lines[0] + ",gap", *(line + ",0.8" for line in lines[1:])]) + "\n", encoding="utf-8")
    refresh(ferry)
    refused(ferry, "'gap' is not known, and it holds numbers without a unit")
    told = json.loads((ferry / "dataset.json").read_text(encoding="utf-8"))
    told["sigkit"]["columns"] = {"gap": {"kind": "number", "meaning": "electrode gap"}}
    (ferry / "dataset.json").write_text(json.dumps(told), encoding="utf-8")
    refused(ferry, "number column 'gap' has no unit")


def test_declared_column_with_a_unit_is_read(ferry):
    path = ferry / "manifest.csv"
    lines = path.read_text(encoding="utf-8").splitlines()
    path.write_text("\n".join([lines[0] + ",gap_mm", *(line + ",0.8" for line in lines[1:])]) + "\n", encoding="utf-8")
    write_description(ferry, extra={"columns": {"gap_mm": {"kind": "number", "meaning": "electrode gap"}}})
    assert Dataset.open(ferry).manifest["gap_mm"].to_pylist() == [0.8] * 4


def test_checksum_of_a_capture_differs(ferry):
    path = ferry / "captures" / "e02" / "e02-001.npz"
    content = bytearray(path.read_bytes())
    content[-200] ^= 1
    path.write_bytes(content)
    refused(ferry, "e02-001.npz: its checksum differs from line 3")


def test_checksum_of_the_manifest_differs(ferry):
    edit(ferry / "manifest.csv", "c01", "c02")
    refused(ferry, "manifest.csv: its checksum differs")


def test_missing_and_loose_captures(ferry):
    path = ferry / "captures" / "e03" / "e03-001.npz"
    path.rename(path.with_name("other.npz"))
    refused(ferry, "'e03/e03-001.npz' is not in captures/")
    path.with_name("other.npz").rename(path)
    (ferry / "captures" / "e03" / "extra.npz").write_bytes(path.read_bytes())
    assert any("e03/extra.npz is not in manifest.csv" in note for note in Dataset.open(ferry).notes)


def test_sidecar_contradicts_the_manifest(ferry):
    edit(ferry / "captures" / "captures.csv", ",e01,", ",e02,")
    refresh(ferry)
    assert "line 2" in refused(ferry, "engine of e01/e01-001.npz is 'e01', but 'e02'")


@pytest.mark.parametrize("time_s", [-0.5, 60.0])
def test_label_outside_its_capture(ferry, time_s):
    label = FiringLabel(new_entry_id(), new_entry_id(), "r03", "e01/e01-001.npz", "lead_1", time_s, answer="no_spark")
    LabelJournal(ferry / "labels", "r03").append([label])
    assert "labels/r03.jsonl" in refused(ferry, "outside e01/e01-001.npz")


def test_label_of_no_capture_or_channel(ferry):
    journal = LabelJournal(ferry / "labels", "r03")
    journal.append([FiringLabel("e1", "l1", "r03", "absent.npz", "lead_1", 0.01, answer="no_spark")])
    refused(ferry, "'absent.npz', which is not in the data set")
    (ferry / "labels" / "r03.jsonl").unlink()
    journal = LabelJournal(ferry / "labels", "r03")
    journal.append([FiringLabel("e1", "l1", "r03", "e01/e01-001.npz", "lead_9", 0.01, answer="no_spark")])
    refused(ferry, "channel 'lead_9'")


def test_origins_of_labels_do_not_mix_without_saying_so(ferry):
    journal = LabelJournal(ferry / "labels", "r01")
    label = FiringLabel("e1", "l1", "r01", "e01/e01-001.npz", "lead_1", 0.01, origin="cursor", answer="no_spark")
    journal.append([label])
    refused(ferry, r"labels are of different origins \(cursor, imported\)")
    write_description(ferry, mixed_origins=True)
    assert len(Dataset.open(ferry).firing_labels("r01")) == 33


def test_origins_of_captures_do_not_mix_without_saying_so(ferry):
    edit(ferry / "manifest.csv", "simulated", "recorded")
    refresh(ferry)
    refused(ferry, r"captures are of different origins \(recorded, simulated\)")
    write_description(ferry, mixed_origins=True)
    assert Dataset.open(ferry).description["sigkit"]["origins"]["captures"] == ["recorded", "simulated"]


def test_truth_only_of_simulated_captures_and_their_channels(tmp_path):
    import shutil

    import pyarrow as pa
    import pyarrow.parquet as pq

    demo = shutil.copytree(demo_archive().parent, tmp_path / "demo")
    table = pq.read_table(demo / "truth.parquet")
    refresh(demo)
    renamed = table.set_column(table.column_names.index("channel"), "channel", pa.array(["odd"] * table.num_rows))
    pq.write_table(renamed, demo / "truth.parquet")
    refused(demo, "channel 'odd'")
    pq.write_table(table.append_column("verdict", pa.array(["x"] * table.num_rows)), demo / "truth.parquet")
    refused(demo, "'verdict' is not known")
    pq.write_table(table, demo / "truth.parquet")
    manifest = (demo / "manifest.csv").read_text(encoding="utf-8")
    (demo / "manifest.csv").write_text(manifest.replace("simulated", "drawn"), encoding="utf-8")
    refused(demo, "truth is known of simulated captures only")


@pytest.mark.parametrize(("before", "after", "match"), [
    ("e01/e01-001.npz", "../e01-001.npz", "leads out of captures/"),
    ("e02/e02-001.npz", "e01/e01-001.npz", "stands in line 2 already"),
    (",e01,", ",e 01,", "no plain word"),
    ("simulated", "guessed", "'guessed' is not allowed"),
    (",2,simulated", ",two,simulated", "no whole number"),
    (",c01,", ",c01,x", "no SHA-256"),
    ("c01,", "c01,,", "cells under"),
])  # fmt: skip
def test_bad_cells_of_the_manifest(ferry, before, after, match):
    edit(ferry / "manifest.csv", before, after)
    refresh(ferry)
    assert "line" in refused(ferry, match)


def test_no_data_set_no_split_no_reader(ferry, tmp_path):
    refused(tmp_path, "there is no manifest.csv")
    opened = Dataset.open(ferry)
    with pytest.raises(DatasetError, match="there is no split 'holdout'"):
        list(opened.captures("holdout"))
    with pytest.raises(DatasetError, match="there is no reader 'r09'"):
        opened.labels("r09")
    with pytest.raises(DatasetError, match="lists no capture"):
        opened.open_file("nothing.npz")
    (ferry / "splits.csv").unlink()
    told = json.loads((ferry / "dataset.json").read_text(encoding="utf-8"))
    told["distribution"] = []
    (ferry / "dataset.json").write_text(json.dumps(told), encoding="utf-8")
    bare = Dataset.open(ferry)
    assert bare.splits == {}
    with pytest.raises(DatasetError, match="sigkit dataset split"):
        bare.truth("test") or list(bare.captures("test"))


@pytest.mark.parametrize(("part", "value"), [("columns", ["a"]), ("origins", "mixed"), ("statement", []),
                                             ("origins", {"labels": ["r01"]})])  # fmt: skip
def test_metadata_of_the_wrong_shape(ferry, part, value):
    told = json.loads((ferry / "dataset.json").read_text(encoding="utf-8"))
    told["sigkit"][part] = value
    (ferry / "dataset.json").write_text(json.dumps(told), encoding="utf-8")
    refused(ferry, "is no JSON object")


def test_statement_with_an_unknown_entry(ferry):
    told = json.loads((ferry / "dataset.json").read_text(encoding="utf-8"))
    told["sigkit"]["statement"]["colour"] = "red"
    (ferry / "dataset.json").write_text(json.dumps(told), encoding="utf-8")
    with pytest.raises(DatasetError, match="colour"):
        write_description(ferry)


def test_damaged_metadata(ferry):
    (ferry / "dataset.json").write_text("{", encoding="utf-8")
    refused(ferry, "cannot be read as JSON")
