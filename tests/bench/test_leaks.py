"""Whatever would let an algorithm see the test labels is refused."""

from __future__ import annotations

import json
import shutil
import zipfile

import pytest

from sigkit import registry
from sigkit.bench.copy_captures import copy_captures
from sigkit.bench.run_in_subprocess import run_in_subprocess
from sigkit.bench.run_protocol import choose_setting
from sigkit.bench.sealed_labels import SealedLabels, write_choice
from sigkit.capture.open_captures import open_planned, plan_opening
from sigkit.capture.sidecar import parse_sidecar
from sigkit.corpus.dataset import Dataset
from sigkit.corpus.open_dataset import open_dataset
from sigkit.errors import DatasetError, PluginError, SettingsError

SPY = '''
"""A detector that looks for truth where a data set would hold it, beside its captures and working folder."""
import os
from pathlib import Path

import numpy as np

from sigkit.types.firings import Firings

NAMES = ("truth.parquet", "truth_intervals.parquet", "labels", "splits.csv", "manifest.csv", "labels.npz")


class Spy:
    name = "spy"

    def detect(self, capture):
        homes = [Path.cwd(), Path(os.environ["HOME"]), *(Path(v) for k, v in os.environ.items() if "DATA" in k)]
        if capture.source and Path(capture.source).exists():
            homes.append(Path(capture.source).parent)
        # Its own folders, and the one above the captures; not the machine's.
        seen = [str(home / name) for home in homes for name in NAMES if (home / name).exists()]
        seen += [str(home.parent / name) for home in homes[-1:] for name in NAMES if (home.parent / name).exists()]
        if seen:
            raise RuntimeError("found " + ", ".join(seen))
        told = " ".join(map(str, capture.metadata.items())) + capture.note
        if "condition" in told or "burn_end" in told:
            raise RuntimeError("the capture itself tells: " + told)
        none = np.zeros(0, dtype=np.int64)
        return [Firings(c.name, none, none, none, none.astype(np.int8), none) for c in capture.channels]
'''


@pytest.fixture
def spy(tmp_path, monkeypatch):
    """Install a package with the spy, as far as entry points can tell."""
    home = tmp_path / "site"
    (home / "spy_package-1.0.dist-info").mkdir(parents=True)
    (home / "spy_module.py").write_text(SPY, encoding="utf-8")
    (home / "spy_package-1.0.dist-info" / "METADATA").write_text("Name: spy-package\nVersion: 1.0\n", encoding="utf-8")
    (home / "spy_package-1.0.dist-info" / "entry_points.txt").write_text(
        "[sigkit.detectors]\nspy = spy_module:Spy\n", encoding="utf-8"
    )
    monkeypatch.syspath_prepend(str(home))
    assert "spy" in registry.names("detectors")


def test_a_plug_in_that_looks_for_truth_beside_its_captures_finds_none(tiny, spy):
    _, dataset = tiny("firing_detection")
    assert (dataset.folder / "truth.parquet").is_file()
    answer = run_in_subprocess(dataset, "test", "detectors", "spy", {})
    assert len(answer.table["capture"]) == 0


def test_the_spy_would_have_found_it_in_the_data_set_itself(tiny, spy):
    _, dataset = tiny("firing_detection")
    detector = registry.load("detectors", "spy")()
    captures = list(dataset.captures("test"))
    with pytest.raises(RuntimeError, match=r"truth\.parquet"):
        detector.detect(captures[0])


def test_the_folder_of_captures_holds_captures_of_the_split_only(tiny, tmp_path):
    _, dataset = tiny("firing_detection")
    copy_captures(dataset, "test", tmp_path / "given")
    given = {path.name for path in (tmp_path / "given").iterdir()}
    engines = {engine for engine, split in dataset.splits.items() if split == "test"}
    assert given == {*dataset.capture_names("test"), "captures.csv", *(f"{one}.profile.toml" for one in engines)}
    told = (tmp_path / "given" / "captures.csv").read_text(encoding="utf-8")
    assert not any(name in told for name in dataset.capture_names("develop"))


@pytest.mark.parametrize("split", ["train", "develop", "test"])
def test_a_data_set_with_folders_and_a_zip_is_copied_split_by_split(tmp_path, split):
    demo = open_dataset("demo")
    copy_captures(demo, split, tmp_path / "given")
    plan = plan_opening([str(tmp_path / "given")])
    assert sorted(one.reference.name for one in plan.sources) == sorted(demo.capture_names(split))
    assert list(plan.warnings) == []
    told = {capture.name: capture.engine for one in plan.sources for capture in open_planned(one)}
    assert told == {capture.name: capture.engine for capture in demo.captures(split)}
    with zipfile.ZipFile(demo.folder / "captures" / "teal.zip") as archive:
        member = archive.namelist()[0]
    assert (tmp_path / "given" / "teal.zip").exists() == (f"teal.zip!{member}" in demo.capture_names(split))


def test_a_sidecar_as_spreadsheets_save_it_is_copied_too(tiny, tmp_path):
    _, dataset = tiny("firing_detection")
    copy = tmp_path / "copy"
    shutil.copytree(dataset.folder, copy)
    sidecar = copy / "captures" / "captures.csv"
    before = [(row.capture, row.text("pickup_ratio")) for row in parse_sidecar(sidecar.read_bytes(), "before")]
    text = sidecar.read_text(encoding="utf-8")
    sidecar.write_text("\ufeff" + text.replace(",", ";").replace("capture;", " capture ;", 1), encoding="utf-8")
    copy_captures(Dataset.open(copy, checksums=False), "test", tmp_path / "given")
    given = parse_sidecar((tmp_path / "given" / "captures.csv").read_bytes(), "given")
    names = set(dataset.capture_names("test"))
    assert [(row.capture, row.text("pickup_ratio")) for row in given] == [one for one in before if one[0] in names]
    assert given


def test_an_engine_in_two_splits_is_refused(tiny, tmp_path):
    _, dataset = tiny("firing_detection")
    copy = tmp_path / "copy"
    shutil.copytree(dataset.folder, copy)
    lines = (copy / "splits.csv").read_text(encoding="utf-8").splitlines()
    engine = next(line.split(",")[0] for line in lines if line.endswith(",test"))
    (copy / "splits.csv").write_text("\n".join([*lines, f"{engine},train"]) + "\n", encoding="utf-8")
    with pytest.raises(DatasetError, match=engine):
        Dataset.open(copy)


def test_test_labels_stay_closed_until_the_choice_is_written(tiny, tmp_path):
    _, dataset = tiny("firing_detection")
    choice = tmp_path / "choice.json"
    labels = SealedLabels(dataset, "block_activity", choice)
    assert len(labels.truth("develop")["capture"])
    with pytest.raises(SettingsError, match="stay closed"):
        labels.truth("test")
    write_choice(choice, "another", [], {}, "develop")
    with pytest.raises(SettingsError, match="stay closed"):
        labels.truth("test")
    write_choice(choice, "block_activity", [], {}, "develop")
    assert len(labels.truth("test")["capture"])
    choice.write_text(json.dumps({"algorithm": "block_activity", "split": "test"}), encoding="utf-8")
    with pytest.raises(SettingsError, match="stay closed"):
        labels.truth("test")


def test_a_threshold_tuned_on_test_is_refused(tiny, tmp_path):
    protocol, dataset = tiny("firing_detection")
    choice = tmp_path / "choice.json"
    labels = SealedLabels(dataset, "block_activity", choice)
    with pytest.raises(SettingsError, match="never on test"):
        choose_setting(protocol, "block_activity", dataset, labels, choice, "", 1, split="test")
    with pytest.raises(SettingsError, match="no choice"):
        write_choice(choice, "block_activity", [[{"threshold": 1}, 0.5]], {"threshold": 1}, "test")
    assert not choice.exists()


def test_nothing_is_learnt_from_what_is_judged(tiny):
    _, dataset = tiny("firing_detection")
    for split in ("test", "develop"):
        with pytest.raises(PluginError, match="nothing may be learnt"):
            run_in_subprocess(dataset, split, "classifiers", "condition_pipeline", {}, learn_from=split)
