"""Import: samples stay exactly, private words never get in; readings made elsewhere; merge."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest

from sigkit.capture.write_capture import write_capture
from sigkit.corpus.dataset import Dataset
from sigkit.corpus.describe import Statement
from sigkit.corpus.import_readings import import_readings
from sigkit.corpus.make_dataset import import_captures, new_dataset
from sigkit.corpus.merge_datasets import merge_datasets
from sigkit.errors import DatasetError
from sigkit.types.capture import Capture
from sigkit.types.channel import Channel

PRIVATE = ("Invented Person", "INV-0001", "INV 123", "0.0000 N", "2026-11-20")


def everything(folder: Path) -> bytes:
    return b"".join(path.read_bytes() + path.name.encode() for path in sorted(folder.rglob("*")) if path.is_file())


@pytest.fixture
def recording(tmp_path) -> Path:
    """An npz of integers with private words wherever a format has room for them."""
    samples = (1000 * np.sin(np.arange(4000) / 9)).astype(np.int16)
    channel = Channel("Invented Person's lead", samples, 1e5, start_s=-0.01, scale=2e-3, unit="V",
                      kind="secondary_voltage", full_scale=(-5.0, 5.0))  # fmt: skip
    path = tmp_path / "Invented Person INV 123.npz"
    capture = Capture("a", (channel,), engine_speed_rpm=2500.0, time_origin="2026-11-20T10:00:00")
    write_capture(capture, path)
    (tmp_path / "captures.csv").write_text(
        f"capture,cylinder,pickup_ratio,note\n{path.name},3,1000,at 0.0000 N by INV-0001\n", encoding="utf-8")
    return path


def test_nothing_private_gets_in_and_no_sample_changes(recording, tmp_path):
    home = tmp_path / "made"
    new_dataset(home, Statement("Invented."))
    report = import_captures(home, [str(recording)], engine="e01", origin="recorded", ignition_type="coil_on_plug")
    assert report.names == ("e01/e01-001.npz",)
    assert {"file name", "channel names", "date and time", "note"} <= set(report.left_out)
    content = everything(home)
    assert not any(word.encode() in content for word in PRIVATE)
    capture = next(iter(Dataset.open(home).captures()))
    channel = capture.channels[0]
    original = np.load(recording)["channel_0"]
    np.testing.assert_array_equal(channel.samples, original)
    assert channel.samples.dtype == original.dtype
    assert (channel.sample_rate_Hz, channel.start_s, channel.scale, channel.unit) == (1e5, -0.01, 2e-3, "V")
    assert (channel.name, channel.cylinder, channel.pickup_ratio) == ("lead_1", "3", 1000.0)
    assert (capture.engine, capture.engine_speed_rpm, capture.ignition_type) == ("e01", 2500.0, "coil_on_plug")


def test_the_same_samples_twice_and_bad_words(recording, tmp_path):
    home = tmp_path / "made"
    new_dataset(home, Statement("Invented."))
    import_captures(home, [str(recording)], engine="e01", origin="recorded", ignition_type="coil_on_plug")
    again = import_captures(home, [str(recording)], engine="e01", origin="recorded", ignition_type="coil_on_plug")
    assert again.names == ()
    assert again.repeated == (recording.name,)
    assert len(Dataset.open(home).capture_names()) == 1
    with pytest.raises(DatasetError, match="no plain word"):
        import_captures(home, [str(recording)], engine="Ann's boat", origin="recorded")
    with pytest.raises(DatasetError, match="origin: 'guessed' is not known"):
        import_captures(home, [str(recording)], engine="e02", origin="guessed")
    with pytest.raises(DatasetError, match="one engine has one kind of ignition"):
        import_captures(home, [str(recording)], engine="e01", origin="recorded", ignition_type="shared_coil")
    (tmp_path / "words.csv").write_text("no capture at all", encoding="utf-8")
    with pytest.raises(DatasetError, match="no file of it can be used"):
        import_captures(home, [str(tmp_path / "words.csv")], engine="e02", origin="recorded")
    with pytest.raises(DatasetError, match="is no empty folder"):
        new_dataset(home, Statement("Invented."))
    assert len(Dataset.open(home).capture_names()) == 1


HEADER = "file,channel,time_s,cursor_1_s,cursor_2_s,burn_time_ms,resolution_ms\n"


def test_readings_become_labels_with_their_resolution(ferry, tmp_path):
    path = tmp_path / "readings.csv"
    path.write_text(HEADER + "e01/e01-001.npz,lead_1,0.0041,0.0042,0.0054,,0.05\n"
                    "e01/e01-001.npz,lead_2,0.0226,,,1.3,0.1\n", encoding="utf-8")  # fmt: skip
    assert import_readings(Dataset.open(ferry), path, "r03") == 2
    one, two = Dataset.open(ferry).firing_labels("r03")
    assert (one.origin, one.resolution_s, one.intervals) == ("imported", pytest.approx(5e-5), ((0.0042, 0.0054),))
    assert one.burn_ms == pytest.approx(1.2)
    assert (two.intervals, two.burn_ms, two.resolution_s) == ((), 1.3, pytest.approx(1e-4))


def test_readings_twice_change_nothing_and_a_correction_replaces(ferry, tmp_path):
    path = tmp_path / "readings.csv"
    path.write_text(HEADER + "e01/e01-001.npz,lead_1,0.0041,,,1.20,0.05\n", encoding="utf-8")
    import_readings(Dataset.open(ferry), path, "r03")
    before = (ferry / "labels" / "r03.jsonl").read_bytes()
    import_readings(Dataset.open(ferry), path, "r03")
    assert (ferry / "labels" / "r03.jsonl").read_bytes() == before
    path.write_text(HEADER + "e01/e01-001.npz,lead_1,0.0041,,,1.25,0.05\n", encoding="utf-8")
    import_readings(Dataset.open(ferry), path, "r03")
    assert [one.burn_ms for one in Dataset.open(ferry).firing_labels("r03")] == [1.25]
    assert (ferry / "labels" / "r03.jsonl").read_bytes().startswith(before)


@pytest.mark.parametrize(("line", "match"), [
    ("absent.npz,lead_1,0.0041,,,1.2,0.05", "line 3: there is no capture 'absent.npz'"),
    ("e01/e01-001.npz,,0.0041,,,1.2,0.05", "line 3: the channel is ''"),
    ("e01/e01-001.npz,lead_1,9.0,,,1.2,0.05", "time_s is 9.000000 s, outside"),
    ("e01/e01-001.npz,lead_1,0.0041,0.004,,,0.05", "line 3: one cursor of two"),
    ("e01/e01-001.npz,lead_1,0.0041,0.006,0.004,,0.05", "lies before the first"),
    ("e01/e01-001.npz,lead_1,0.0041,0.004,0.006,2,0.05", "two cursors and a burn_time_ms are given"),
    ("e01/e01-001.npz,lead_1,0.0041,,,,0.05", "neither two cursors nor a burn_time_ms"),
    ("e01/e01-001.npz,lead_1,0.0041,,,1.2,", "line 3, column resolution_ms: the cell is empty"),
    ("e01/e01-001.npz,lead_1,0.0041,,,1.2,0", "resolution_ms is 0"),
    ("e01/e01-001.npz,lead_1,0.0041,,,-1.2,0.05", "burn_time_ms is negative"),
    ("e02/e02-001.npz,lead_1,0.0076,,,1.3,0.05", "the same firing as line 2"),
])  # fmt: skip
def test_bad_readings_change_nothing(ferry, tmp_path, line, match):
    path = tmp_path / "readings.csv"
    path.write_text(HEADER + "e02/e02-001.npz,lead_1,0.0076,,,1.2,0.05\n" + line + "\n", encoding="utf-8")
    with pytest.raises(DatasetError, match=match):
        import_readings(Dataset.open(ferry), path, "r03")
    assert not (ferry / "labels" / "r03.jsonl").exists()


def test_readings_under_a_name_or_another_origin(ferry, tmp_path):
    from sigkit.corpus.label_journal import LabelJournal
    from sigkit.corpus.label_record import FiringLabel

    path = tmp_path / "readings.csv"
    path.write_text(HEADER + "e02/e02-001.npz,lead_1,0.0076,,,1.2,0.05\n", encoding="utf-8")
    with pytest.raises(DatasetError, match="opaque id"):
        import_readings(Dataset.open(ferry), path, "Ann Example")
    label = FiringLabel("e1", "l1", "r04", "e01/e01-001.npz", "lead_1", 0.01, origin="cursor", answer="no_spark")
    LabelJournal(ferry / "labels", "r04").append([label])
    with pytest.raises(DatasetError, match="origins of one reader do not mix"):
        import_readings(Dataset.open(ferry), path, "r04")


def other_set(tmp_path: Path, recording: Path, origin: str = "simulated", engine: str = "e09") -> Path:
    home = tmp_path / "other"
    new_dataset(home, Statement("Another invented set."))
    import_captures(home, [str(recording)], engine=engine, origin=origin, ignition_type="coil_on_plug")
    return home


def test_merge_keeps_splits_labels_and_facts(ferry, tmp_path, recording):
    from sigkit.corpus.make_splits import make_splits

    other = other_set(tmp_path, recording)
    with pytest.raises(DatasetError, match="other: is not split"):
        merge_datasets([ferry, other], tmp_path / "both", Statement("Both."))
    make_splits(other, 1)
    made = merge_datasets([ferry, other], tmp_path / "both", Statement("Both."))
    first, second = Dataset.open(ferry), Dataset.open(other)
    assert made.splits == first.splits | second.splits
    assert made.capture_names() == first.capture_names() + second.capture_names()
    assert made.firing_labels("r01") == first.firing_labels("r01")
    assert made.open_file("e09/e09-001.npz")[0].channels[0].pickup_ratio == 1000.0
    assert [one["dataset_hash"] for one in made.description["sigkit"]["merged"]] == [
        first.dataset_hash, second.dataset_hash]  # fmt: skip


def test_merge_refuses_collisions_and_silent_mixtures(ferry, tmp_path, recording):
    from sigkit.corpus.make_splits import make_splits

    twin = Path(shutil.copytree(ferry, tmp_path / "twin"))
    with pytest.raises(DatasetError, match=r"twin: has a capture 'e01/e01-001\.npz', and so has ferry-contribution"):
        merge_datasets([ferry, twin], tmp_path / "both", Statement("Both."))
    other = other_set(tmp_path, recording, origin="recorded")
    make_splits(other, 1)
    with pytest.raises(DatasetError, match="captures are of different origins"):
        merge_datasets([ferry, other], tmp_path / "both", Statement("Both."))
    assert not (tmp_path / "both").exists()
    assert not [path for path in tmp_path.iterdir() if "unfinished" in path.name]
    made = merge_datasets([ferry, other], tmp_path / "both", Statement("Both."), mixed_origins=True)
    assert made.description["sigkit"]["origins"]["captures"] == ["recorded", "simulated"]
