"""``sigkit screen``: exit codes, messages, sidecar form, examples on shipped data."""

import csv
import shutil

import numpy as np
import pytest

from sigkit.cli.main import main
from sigkit.screen import screen_archive as room
from sigkit.shipped import demo_archive


def run(*arguments):
    with pytest.raises(SystemExit) as stop:
        main(["screen", *[str(argument) for argument in arguments]])
    return stop.value.code or 0


@pytest.fixture(autouse=True)
def no_model(monkeypatch):
    # Loading a model is tested in its own room and takes longer than these runs.
    monkeypatch.setattr(room, "load_default_model", lambda: None)


@pytest.fixture
def archive(tmp_path):
    folder = tmp_path / "archive"
    folder.mkdir()
    for path in sorted((demo_archive() / "dipper").iterdir())[:2]:
        shutil.copy(path, folder)
    return folder


@pytest.fixture
def with_damage(archive):
    (archive / "words.csv").write_text("time (ms),U (V)\n0,battery low\n")
    return archive


def test_a_run_says_what_it_found_and_where(archive, tmp_path, capsys):
    assert run(archive, "--out", tmp_path / "report", "--workers", 1) == 0
    told = capsys.readouterr()
    assert "on 2 captures, 0 inputs rejected" in told.out
    assert str(tmp_path / "report" / "report.html") in told.out
    assert "no condition model" in told.err
    assert (tmp_path / "report" / "report.html").is_file()


def test_rejected_inputs_fail_only_under_strict(with_damage, tmp_path):
    assert run(with_damage, "--out", tmp_path / "a", "--workers", 1) == 0
    assert run(with_damage, "--out", tmp_path / "b", "--workers", 1, "--strict") == 1
    assert (tmp_path / "b" / "rejected.csv").read_text().count("\n") == 2


def test_nothing_usable_is_one(tmp_path):
    folder = tmp_path / "archive"
    folder.mkdir()
    (folder / "words.csv").write_text("battery low\nbattery low\n")
    assert run(folder, "--out", tmp_path / "report", "--workers", 1) == 1
    assert (tmp_path / "report" / "report.html").is_file()


def test_an_output_in_the_way_is_wrong_usage(archive, tmp_path, capsys):
    (tmp_path / "report").mkdir()
    (tmp_path / "report" / "notes.txt").write_text("keep")
    assert run(archive, "--out", tmp_path / "report") == 2
    assert "--overwrite" in capsys.readouterr().err
    assert run(archive, "--out", tmp_path / "report", "--overwrite") == 2
    assert (tmp_path / "report" / "notes.txt").read_text() == "keep"


def test_overwrite_replaces_an_earlier_run(archive, tmp_path):
    assert run(archive, "--out", tmp_path / "report", "--workers", 1) == 0
    assert run(archive, "--out", tmp_path / "report", "--workers", 1) == 2
    assert run(archive, "--out", tmp_path / "report", "--workers", 1, "--overwrite") == 0


def test_what_does_not_exist_is_one_with_a_message(tmp_path, capsys):
    assert run(tmp_path / "nowhere", "--out", tmp_path / "report") == 1
    assert "nowhere" in capsys.readouterr().err
    assert not (tmp_path / "report").exists()


def test_rate_and_leads_reach_the_reading(tmp_path):
    samples = np.random.default_rng(1).normal(size=(20_000, 2))
    (tmp_path / "archive").mkdir()
    np.save(tmp_path / "archive" / "bare.npy", samples)
    assert run(tmp_path / "archive", "--out", tmp_path / "a", "--workers", 1) == 1
    assert "--rate" in (tmp_path / "a" / "rejected.csv").read_text()
    assert run(tmp_path / "archive", "--out", tmp_path / "b", "--rate", 200e3, "--leads", "1,2", "--workers", 1) == 0
    with open(tmp_path / "b" / "captures.csv", newline="", encoding="utf-8") as stream:
        assert next(csv.DictReader(stream))["sample_rate_Hz"] == "200000"


def test_the_sidecar_form_names_every_file_and_writes_no_report(with_damage, tmp_path, capsys):
    assert run(with_damage, "--write-sidecar", tmp_path / "captures.csv", "--out", tmp_path / "report") == 0
    with open(tmp_path / "captures.csv", newline="", encoding="utf-8") as stream:
        rows = list(csv.DictReader(stream))
    assert {row["capture"] for row in rows} == {path.name for path in with_damage.iterdir()}
    assert not (tmp_path / "report").exists()
    assert "2 captures" in capsys.readouterr().out
