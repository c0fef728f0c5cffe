"""Export to CSV, Parquet, NumPy and the text format of the time-series archives; free texts stay behind."""

from __future__ import annotations

import csv

import numpy as np
import pyarrow.parquet as pq
import pytest

from sigkit.capture.open_captures import open_captures
from sigkit.corpus.dataset import Dataset
from sigkit.corpus.describe import write_description
from sigkit.corpus.export_dataset import export_dataset, free_texts
from sigkit.corpus.firing_examples import AFTER_MS, BEFORE_MS, firing_examples
from sigkit.corpus.manifest import RULES, read_manifest
from sigkit.corpus.typed_csv import write_typed_csv
from sigkit.errors import DatasetError
from sigkit.shipped import demo_archive
from sigkit.types.capture import Capture


def read_ts(path):
    """Read a ``.ts`` file by the rules of its format: header until ``@data``, then ``v,v,...:class``."""
    header, series, classes, begun = {}, [], [], False
    for line in path.read_text(encoding="utf-8").splitlines():
        if line == "@data":
            begun = True
        elif not begun:
            assert line.startswith("@")
            key, _, value = line[1:].partition(" ")
            header[key.lower()] = value
        else:
            values, _, label = line.rpartition(":")
            series.append([np.nan if one == "?" else float(one) for one in values.split(",")])
            classes.append(label)
    return header, np.array(series), classes


def test_ts_reads_back_by_the_rules_of_the_format(ferry, tmp_path):
    opened = Dataset.open(ferry)
    train, test = export_dataset(opened, tmp_path / "ts", "ts", reader="r01")
    examples = firing_examples(opened, "r01")
    total = 0
    for path, splits in ((train, ("train", "calibrate", "develop")), (test, ("test",))):
        header, series, classes = read_ts(path)
        rows = np.isin(examples.split, splits)
        total += rows.sum()
        assert header["univariate"] == header["equallength"] == "true"
        assert int(header["serieslength"]) == series.shape[1]
        assert header["classlabel"].split() == ["true", *sorted(set(examples.condition))]
        assert header["missing"] == str(bool(np.isnan(series).any())).lower()
        np.testing.assert_allclose(series, examples.windows[rows], rtol=1e-5, atol=1e-6)
        assert classes == examples.condition[rows].tolist()
    assert total == 16  # each firing once, though it was read twice


def test_windows_of_the_truth_are_scaled_and_about_coil_off():
    examples = firing_examples(Dataset.open(demo_archive().parent), "truth", points=801)
    middle = round(801 * BEFORE_MS / (BEFORE_MS + AFTER_MS))
    assert np.nanmax(np.abs(examples.windows)) == pytest.approx(1.0)
    # Nothing much happens 0.3 ms before the coil switches off; the peak comes after it.
    peak = np.nanargmax(np.abs(examples.windows), axis=1)
    assert np.mean(peak >= middle - 2) > 0.9


@pytest.mark.parametrize(("form", "ending"), [("csv", ".csv"), ("parquet", ".parquet"), ("numpy", ".npz")])
def test_captures_and_labels_come_back(ferry, tmp_path, form, ending):
    opened = Dataset.open(ferry)
    out = tmp_path / "out"
    export_dataset(opened, out, form)
    before = {one.name: one for one in opened.captures()}
    after = list(open_captures([str(out / "captures")]))
    assert len(after) == len(before)
    for capture in after:
        assert isinstance(capture, Capture)
        original = before[capture.name.removesuffix(ending) + ".npz"]
        for mine, theirs in zip(capture.channels, original.channels, strict=True):
            np.testing.assert_allclose(mine.values(), theirs.values(), rtol=1e-12)
            assert mine.sample_rate_Hz == pytest.approx(theirs.sample_rate_Hz)
    if form == "csv":
        with open(out / "labels.csv", encoding="utf-8", newline="") as stream:
            labels = list(csv.DictReader(stream))
        burn = [float(row["burn_time_ms"]) for row in labels]
    elif form == "parquet":
        labels = pq.read_table(out / "labels.parquet").to_pylist()
        burn = [row["burn_time_ms"] for row in labels]
    else:
        labels = list(np.load(out / "labels.npz")["origin"])
        burn = np.load(out / "labels.npz")["burn_time_ms"].tolist()
    assert len(labels) == 64
    expected = [one.burn_ms for reader in opened.readers for one in opened.firing_labels(reader)]
    assert sorted(burn) == pytest.approx(sorted(expected))


def test_demo_with_zip_and_truth_is_exported(tmp_path):
    opened = Dataset.open(demo_archive().parent)
    export_dataset(opened, tmp_path / "out", "numpy")
    manifest = np.load(tmp_path / "out" / "manifest.npz")["capture"].tolist()
    truth = np.load(tmp_path / "out" / "truth.npz")["capture"].tolist()
    assert set(truth) == set(manifest)
    assert all((tmp_path / "out" / "captures" / name).is_file() for name in manifest)


def test_free_texts_are_listed_and_left_out(ferry, tmp_path):
    rows = read_manifest(ferry, RULES)
    rows[0]["note"] = "the skipper was late"
    write_typed_csv(ferry / "manifest.csv", [*RULES], rows)
    write_description(ferry)
    opened = Dataset.open(ferry)
    assert free_texts(opened) == [("manifest.csv, note", "the skipper was late")]
    for keep in (False, True):
        out = tmp_path / f"out-{keep}"
        export_dataset(opened, out, "csv", keep_texts=keep)
        told = b"".join(path.read_bytes() for path in out.rglob("*") if path.is_file())
        assert (b"skipper" in told) is keep


def test_bad_requests(ferry, tmp_path):
    opened = Dataset.open(ferry)
    with pytest.raises(DatasetError, match="'xml' is not known"):
        export_dataset(opened, tmp_path / "out", "xml")
    with pytest.raises(DatasetError, match="is there already"):
        export_dataset(opened, tmp_path, "csv")
    with pytest.raises(DatasetError, match="name one of r01, r02"):
        export_dataset(opened, tmp_path / "out", "ts")
    with pytest.raises(DatasetError, match=r"truth\.parquet: is not there"):
        export_dataset(opened, tmp_path / "out", "ts", reader="truth")
    assert not (tmp_path / "out").exists()


def test_capture_that_does_not_fit_leaves_nothing_behind(tmp_path):
    from sigkit.capture.write_capture import write_capture
    from sigkit.corpus.describe import Statement
    from sigkit.corpus.make_dataset import import_captures, new_dataset
    from sigkit.types.channel import Channel

    channels = (Channel("a", np.arange(500.0), 1e5, unit="V"), Channel("b", np.arange(90.0), 1e4, unit="V"))
    write_capture(Capture("two", channels), tmp_path / "two.npz")
    new_dataset(tmp_path / "made", Statement("Invented."))
    import_captures(tmp_path / "made", [str(tmp_path / "two.npz")], engine="e01", origin="drawn")
    opened = Dataset.open(tmp_path / "made")
    with pytest.raises(DatasetError, match=r"e01-001\.npz: does not fit into csv.*export as numpy"):
        export_dataset(opened, tmp_path / "out", "csv")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["made", "two.npz"]
    export_dataset(opened, tmp_path / "out", "numpy")
    assert (tmp_path / "out" / "captures" / "e01" / "e01-001.npz").is_file()
