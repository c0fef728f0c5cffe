"""The commands as a person runs them, bad input included."""

from __future__ import annotations

import json

import pytest

from sigkit.cli.main import COMMANDS, main


def run(capsys, *arguments: str) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as ended:
        main(list(arguments))
    shown = capsys.readouterr()
    return int(ended.value.code or 0), shown.out, shown.err


def test_help_names_every_command(capsys):
    code, out, _ = run(capsys, "--help")
    assert code == 0
    assert all(name in out for name in COMMANDS)


@pytest.mark.parametrize("name", [name for name in COMMANDS if name not in ("model", "profile")])
def test_each_command_shows_an_example(capsys, name):
    code, out, _ = run(capsys, name, "--help")
    assert code == 0
    assert f"sigkit {name}" in out.replace("\n", " ")


def test_wrong_usage_exits_with_two(capsys):
    code, _, err = run(capsys, "screen", "--no-such-option")
    assert code == 2
    assert "no-such-option" in err
    assert run(capsys, "no-such-command")[0] == 2


def test_a_missing_file_is_one_clear_line(capsys):
    code, _, err = run(capsys, "measure", "no-such-file.csv")
    assert code == 1
    assert "no-such-file.csv" in err
    assert "Traceback" not in err


def test_info_lists_plugins_and_models(capsys):
    code, out, _ = run(capsys, "info", "--json")
    assert code == 0
    told = json.loads(out)
    assert all(problem == "ok" for group in told["plugins"].values() for problem in group.values())
    assert told["models"]


def test_model_show_and_verify(capsys):
    code, out, _ = run(capsys, "model", "show")
    assert code == 0
    assert "macro-F1" in out
    code, out, _ = run(capsys, "model", "verify")
    assert code == 0
    assert "sound" in out
    code, _, err = run(capsys, "model", "verify", "no-such-model")
    assert code == 1
    assert "no-such-model" in err


def test_profiles_are_written_listed_and_shown(capsys, tmp_path, monkeypatch):
    monkeypatch.setenv("SIGKIT_PROFILES", str(tmp_path))
    code, _, _ = run(capsys, "profile", "new", "heron", "--cylinders", "1,2,3,4", "--shared-coil-pairs", "1-4,2-3")
    assert code == 0
    assert (tmp_path / "heron.profile.toml").is_file()
    assert "heron" in run(capsys, "profile", "list")[1]
    assert "shared_coil_pairs" in run(capsys, "profile", "show", "heron")[1]
    code, _, err = run(capsys, "profile", "new", "heron")
    assert code == 1
    assert "exists already" in err


def test_simulate_writes_captures_with_truth_and_never_overwrites(capsys, tmp_path):
    out = tmp_path / "made"
    arguments = ("simulate", str(out), "--engines", "1", "--firings", "2", "--rate", "100000", "--workers", "1",
                 "--recording", "continuous", "--format", "hdf5")  # fmt: skip
    code, _, _ = run(capsys, *arguments)
    assert code == 0
    names = sorted(path.name for path in out.iterdir())
    assert "captures.csv" in names
    assert "truth.parquet" in names
    assert any(name.endswith(".h5") for name in names)
    code, _, err = run(capsys, *arguments)
    assert code == 1
    assert "exists already" in err
    code, text, _ = run(capsys, "measure", str(next(path for path in out.iterdir() if path.suffix == ".h5")))
    assert code == 0
    assert "burn" in text


def test_simulate_refuses_an_unknown_format(capsys, tmp_path):
    code, _, err = run(capsys, "simulate", str(tmp_path / "x"), "--engines", "1", "--firings", "1", "--rate", "50000",
                       "--workers", "1", "--format", "punched-cards")  # fmt: skip
    assert code == 1
    assert "punched-cards" in err
    assert list(tmp_path.iterdir()) == []


def test_simulate_calls_csv_csv(capsys, tmp_path):
    out = tmp_path / "made"
    code, _, err = run(capsys, "simulate", str(out), "--engines", "1", "--firings", "1", "--rate", "50000",
                       "--workers", "1", "--format", "csv")  # fmt: skip
    assert code == 0, err
    assert any(path.suffix == ".csv" for path in out.iterdir() if path.name != "captures.csv")


def test_missing_tables_and_folders_are_called_missing(capsys, tmp_path):
    code, _, err = run(capsys, "dataset", "card", str(tmp_path))
    assert code == 1
    assert "this is no data set" in err
    code, _, err = run(capsys, "bench", "score", "x.csv", "--protocol", "polarity", "--split", "train")
    assert code == 1
    assert "expected develop or test" in err
    code, _, err = run(capsys, "bench", "check", "no-such-plug-in")
    assert code == 1
    assert "sigkit info" in err


def test_a_table_is_scored_on_the_shipped_data_set_by_its_short_name(capsys, tmp_path):
    from sigkit.corpus.open_dataset import open_dataset

    signs = {(row["capture"], row["channel"]): row["polarity"] for row in open_dataset("demo").truth("test").to_pylist()
             if row["kind"] == "secondary_voltage"}  # fmt: skip
    lines = [f"{capture};{channel};{sign}" for (capture, channel), sign in signs.items()]
    table = tmp_path / "signs.csv"
    table.write_text("\n".join(["capture;channel;polarity", *lines]), encoding="utf-8-sig")
    asked = ["bench", "score", str(table), "--protocol", "polarity", "--data", "demo"]
    code, out, err = run(capsys, *asked, "--split", "test")
    assert code == 0, err
    assert "right, by lead: 1 (1 to 1) share" in out
    code, _, err = run(capsys, *asked)
    assert code == 1
    assert "signs.csv, line 2, column capture" in err
    assert "is not in the split that is scored; give --split" in err
