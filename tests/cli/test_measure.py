"""``sigkit measure``: one file to the terminal, to CSV, JSON and a picture."""

import json

import numpy as np
import pandas as pd
import pytest
from PIL import Image

from sigkit.classify import model_store
from sigkit.cli.main import main
from sigkit.shipped import demo_archive


def run(*arguments):
    with pytest.raises(SystemExit) as stop:
        main(["measure", *[str(argument) for argument in arguments]])
    return stop.value.code or 0


@pytest.fixture(autouse=True)
def no_model(monkeypatch):
    monkeypatch.setattr(model_store, "load_default_model", lambda: None)


@pytest.fixture(scope="module")
def capture():
    return sorted((demo_archive() / "otter").iterdir())[0]


def test_the_example_of_the_help_runs(tmp_path, capsys):
    assert run("demo", "--plot", tmp_path / "firings.png") == 0
    told = capsys.readouterr().out
    assert "burn ms" in told
    assert "±" in told
    with Image.open(tmp_path / "firings.png") as picture:
        assert picture.size[0] == 840


def test_csv_and_json_hold_the_same_firings(capture, tmp_path, capsys):
    assert run(capture, "--json", "--csv", tmp_path / "firings.csv") == 0
    records = json.loads(capsys.readouterr().out)
    table = pd.read_csv(tmp_path / "firings.csv")
    assert len(records) == len(table) > 3
    assert list(records[0]) == list(table.columns)
    given, u = (
        np.array([record[name] for record in records], dtype=float) for name in ("burn_time_ms", "burn_time_u_ms")
    )
    assert np.isfinite(given).sum() > 3
    assert np.array_equal(np.isnan(table["burn_time_ms"]), np.isnan(given))
    # Numbers for reading are rounded to what their uncertainty bears.
    off = np.abs(table["burn_time_ms"] - given)[np.isfinite(given)]
    assert (off <= 0.3 * u[np.isfinite(given)]).all(), (off, u)


def test_a_folder_is_wrong_usage(capsys):
    assert run(demo_archive()) == 2
    assert "sigkit screen" in capsys.readouterr().err


def test_a_picture_that_is_no_png_is_wrong_usage(capture, tmp_path):
    assert run(capture, "--plot", tmp_path / "firings.jpg") == 2
    assert list(tmp_path.iterdir()) == []


def test_a_damaged_file_is_one_message(tmp_path, capsys):
    (tmp_path / "words.csv").write_text("time (ms),U (V)\n0,battery low\n1,battery low\n")
    assert run(tmp_path / "words.csv") == 1
    told = capsys.readouterr().err
    assert told.startswith("sigkit: words.csv, line ")
    assert "To mend it:" in told


def test_a_record_without_firings_says_so(tmp_path, capsys):
    np.savez(tmp_path / "quiet.npz", voltage=np.random.default_rng(4).normal(size=20_000), sample_rate=200e3)
    assert run(tmp_path / "quiet.npz", "--plot", tmp_path / "firings.png") == 1
    told = capsys.readouterr().err
    assert "no firing was found" in told
    assert "was not written" in told
    assert not (tmp_path / "firings.png").exists()
