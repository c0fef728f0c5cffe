"""Protocols given as files: slips are told, each row is made again by its printed command, runs survive mishaps."""

from __future__ import annotations

import json
import shlex
import threading
from pathlib import Path

import numpy as np
import pytest

from sigkit import provenance
from sigkit.bench.leaderboard import build_leaderboard
from sigkit.bench.plan_runs import plan_runs
from sigkit.bench.protocol import protocol_names, read_protocol
from sigkit.bench.run_protocol import run_paths, run_protocol
from sigkit.bench.time_left import expected_seconds
from sigkit.cli.main import main
from sigkit.errors import SettingsError, SigkitError
from sigkit.shipped import shipped_protocols

DEMO = 'name = "mine"\ntask = "firing_detection"\n\n[data]\nfolder = "demo"\n'


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('task = "firing_detection"', 'task = "fire_detection"', "task is 'fire_detection'; expected one of firing"),
        ('task = "firing_detection"', "", "the entry 'task' is missing"),
        ('name = "tiny_firing_detection"', "name = 5", "name is 5; expected a text"),
        ('name = "tiny_firing_detection"', 'name = "../up"', "letters, digits"),
        ('name = "tiny_firing_detection"', 'name = "polarity"', "is a protocol of sigkit; give it another name"),
        ("[data.engines]", "[data.engine]", r"\[data\] unknown entry 'engine'; did you mean 'engines'"),
        ("develop = 2", 'develop = "two"', "expected whole numbers, develop and test of at least 1"),
        ("develop = 2", "develop = 0", "expected whole numbers, develop and test of at least 1"),
        ("develop = 2", "develope = 2", "unknown entry 'develope'; did you mean 'develop'"),
        ("firings_per_lead", "firing_per_lead", r"\[data.recipe\] unknown entry 'firing_per_lead'; did you mean"),
        ("firings_per_lead = 3", 'firings_per_lead = "3"', r"\[data\.recipe\]: "),
        ("[data.engines]", '[settings]\ndetectr = "x"\n[data.engines]', "'detectr'; did you mean 'detector'"),
        ("[data.engines]", "[settings]\ndetector = 1\n[data.engines]", "detector is 1; expected the name of a plug-in"),
        ("[data.engines]", "[matching]\ntolerance_s = 1\n[data.engines]", "unknown entry 'tolerance_s'; did you mean"),
        ("[data.engines]", '[matching]\ntolerance_ms = "1"\n[data.engines]', "tolerance_ms is '1'; expected a number"),
        ("[data.engines]", "[matching]\ntolerance_ms = nan\n[data.engines]", "tolerance_ms is nan; expected a number"),
        ("[data.engines]", 'baselines = "none"\n[data.engines]', "baselines is 'none'; expected a list"),
        ("[data.engines]", '[data]\nfolder = "demo"\n[data.engines]', "folder and more"),
        ("[data.engines]", "[data.engines", "not a valid TOML file.*line"),
    ],
)
def test_a_slip_in_a_protocol_is_told_with_its_entry(tiny, tmp_path, old, new, words):
    path = tmp_path / "slip.toml"
    good = Path(tiny("firing_detection")[0].file).read_text(encoding="utf-8")
    assert old in good
    path.write_text(good.replace(old, new), encoding="utf-8")
    with pytest.raises(SettingsError, match=rf"slip\.toml: .*{words}"):
        read_protocol(path)


def test_a_copy_of_a_shipped_protocol_is_that_protocol(tmp_path):
    for name in protocol_names():
        path = tmp_path / f"copy-of-{name}.toml"
        path.write_bytes((shipped_protocols() / f"{name}.toml").read_bytes())
        copy, own = read_protocol(path), read_protocol(name)
        assert (copy.content_hash, copy.data_hash, copy.called) == (own.content_hash, own.data_hash, str(path))
        assert own.called == name


def test_two_files_of_one_name_are_refused(tmp_path):
    for file, more in (("a.toml", ""), ("b.toml", 'title = "other"\n')):
        (tmp_path / file).write_text(more + DEMO, encoding="utf-8")
    with pytest.raises(SettingsError, match=r"a\.toml and .*b\.toml are both called 'mine'"):
        plan_runs([str(tmp_path / "a.toml"), str(tmp_path / "b.toml")], "", tmp_path)
    again = plan_runs([str(tmp_path / "a.toml")] * 2, "block_activity", tmp_path)
    assert again.runs == [("mine", "block_activity")]


def test_the_printed_command_makes_a_row_of_a_protocol_file_again(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(provenance, "has_uncommitted_changes", lambda path=None: False)
    (tmp_path / "my own.toml").write_text(DEMO, encoding="utf-8")
    options = ["--runs", "runs", "--workers", "1"]
    with pytest.raises(SystemExit) as ended:
        main(["bench", "run", "--protocol", "my own.toml", "--algorithm", "block_activity", *options])
    assert ended.value.code == 0
    first = json.loads((tmp_path / "runs" / "mine--block_activity.json").read_text(encoding="utf-8"))
    build_leaderboard(tmp_path / "runs", tmp_path)
    lines = (tmp_path / "leaderboard.md").read_text(encoding="utf-8").splitlines()
    printed = [line.strip("-` ") for line in lines if line.startswith("- `")]
    assert printed == ["sigkit bench run 'my own.toml' --algorithm block_activity"]
    for path in (tmp_path / "runs").iterdir():
        path.unlink()
    capsys.readouterr()
    with pytest.raises(SystemExit) as ended:
        main([*shlex.split(printed[0])[1:], *options])
    assert ended.value.code == 0
    assert "mine: block_activity: F1" in capsys.readouterr().out
    second = json.loads((tmp_path / "runs" / "mine--block_activity.json").read_text(encoding="utf-8"))
    assert {**first, "time": 0} == {**second, "time": 0}


def test_a_run_that_is_stopped_or_torn_leaves_nothing_that_counts(tiny, tmp_path, monkeypatch):
    protocol, dataset = tiny("firing_detection")
    monkeypatch.setattr(provenance, "has_uncommitted_changes", lambda path=None: False)
    paths = run_paths(tmp_path, protocol, "block_activity")

    def stop(*arguments, **options):
        raise KeyboardInterrupt

    with monkeypatch.context() as patched:
        patched.setattr("sigkit.bench.run_protocol.score_task", stop)
        with pytest.raises(KeyboardInterrupt):
            run_protocol(protocol, "block_activity", dataset, tmp_path)
    assert list(tmp_path.iterdir()) == []
    whole = run_protocol(protocol, "block_activity", dataset, tmp_path)
    assert run_protocol(protocol, "block_activity", dataset, tmp_path).get("kept")
    text = paths[0].read_text(encoding="utf-8")
    for torn in (text[: len(text) // 2], "", "[]", "{}"):
        paths[0].write_text(torn, encoding="utf-8")
        again = run_protocol(protocol, "block_activity", dataset, tmp_path)
        assert "kept" not in again
        assert again["metrics"] == whole["metrics"]
    assert sorted(tmp_path.iterdir()) == sorted(paths)


def test_two_runs_at_once_do_not_meet_in_a_file(tiny, tmp_path):
    protocol, dataset = tiny("firing_detection")
    faults = []

    def run():
        try:
            run_protocol(protocol, "block_activity", dataset, tmp_path)
        except (SigkitError, OSError) as fault:
            faults.append(fault)

    both = [threading.Thread(target=run) for _ in range(2)]
    for one in both:
        one.start()
    for one in both:
        one.join()
    assert faults == []
    assert sorted(tmp_path.iterdir()) == sorted(run_paths(tmp_path, protocol, "block_activity"))


def test_damaged_outcomes_of_a_run_are_told_by_name(tiny, tmp_path):
    protocol, dataset = tiny("firing_detection")
    run_protocol(protocol, "block_activity", dataset, tmp_path)
    outcomes = run_paths(tmp_path, protocol, "block_activity")[1]
    outcomes.write_bytes(outcomes.read_bytes()[:-40])
    with pytest.raises(SettingsError, match=r"tiny_firing_detection--block_activity\.npz: .*run it again"):
        build_leaderboard(tmp_path, tmp_path)


def test_what_a_run_will_take_follows_from_its_past(tmp_path):
    (tmp_path / "mine.toml").write_text(DEMO, encoding="utf-8")
    protocol = read_protocol(tmp_path / "mine.toml")
    state = {"protocol_sha256": "a", "sigkit_tree": "b", "uncommitted_changes": False}
    assert np.isnan(expected_seconds(protocol, "x", tmp_path, state))
    path, outcomes, _ = run_paths(tmp_path, protocol, "x")
    time = {"learn_s": 1.0, "judge_s": 4.0}
    told = {**state, "metrics": {}, "choice": {"tried": [[{}, 1.0], [{}, 2.0]]}, "time": time}
    path.write_text(json.dumps(told), encoding="utf-8")
    # Learnt and answered three times, on as many engines as far as is known.
    assert expected_seconds(protocol, "x", tmp_path, state) == 15.0
    path.write_text(json.dumps({**told, "time": {"total_s": 7.0}}), encoding="utf-8")
    assert expected_seconds(protocol, "x", tmp_path, state) == 7.0
    outcomes.touch()
    assert expected_seconds(protocol, "x", tmp_path, state) == 0.0
    assert expected_seconds(protocol, "x", tmp_path, {**state, "sigkit_tree": "c"}) == 7.0
    path.write_text(json.dumps({**told, "time": 3}), encoding="utf-8")
    assert np.isnan(expected_seconds(protocol, "x", tmp_path, {**state, "sigkit_tree": "c"}))
