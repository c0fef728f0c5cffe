"""Plug-ins that misbehave: each ends as one clear error, leaves nothing running and no half result."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from sigkit import registry
from sigkit.bench.check_isolated import check_isolated
from sigkit.bench.check_plugin import check_plugin
from sigkit.bench.run_in_subprocess import run_in_subprocess
from sigkit.bench.run_protocol import competitors, run_protocol
from sigkit.cli.main import main
from sigkit.errors import PluginError

#: A detector that finds one firing a channel; ``{does}`` comes before the answer, ``{position}`` is its place.
DETECTOR = '''
import os, sys, time
import numpy as np
from sigkit.types.firings import Firings

class Plugin:
    name = "stranger"
    {tunable}
    def detect(self, capture):
        {does}
        one = np.ones(1, dtype=np.int64)
        given, sign = {position}, one.astype(np.int8)
        return [Firings(c.name, given, 0 * one, 20 * one, sign, one) for c in capture.channels]{more}
'''


def detector(does: str = "pass", position: str = "9 * one", tunable: str = "", more: str = "") -> str:
    return DETECTOR.format(does=does, position=position, tunable=tunable, more=more)


@pytest.mark.parametrize(
    ("source", "words"),
    [
        (detector(position="np.array([np.nan])"), "position has shape .* of float64; expected"),
        (detector(position="np.array([9, 3])"), "start has shape"),
        (detector(position="(one := np.ones(2, np.int64)) * [9, 3]"), "positions are not in time order"),
        (detector(position="-9 * one"), "a position lies outside the record"),
        (detector(position="10**9 * one"), "a position lies outside the record"),
        (detector(more="[:0]"), "detect must return a list of 2 Firings"),
        (detector("return None"), "detect must return a list of 2 Firings"),
        (detector("sys.exit(0)"), "its process ended with code 0 before it had answered"),
        (detector("sys.exit('enough')"), "enough"),
        (detector("os._exit(0)"), "its process ended with code 0 before it had answered"),
        (detector("os.abort()"), "its process ended with code -6"),
        (detector("raise KeyboardInterrupt"), "KeyboardInterrupt"),
    ],
)
def test_an_answer_that_breaks_the_contract_is_refused_and_never_scored(tiny, install, source, words):
    _, dataset = tiny("firing_detection")
    install("stranger", source)
    with pytest.raises(PluginError, match=rf"stranger failed on .*/test: .*({words})"):
        run_in_subprocess(dataset, "test", "detectors", "stranger", {})


def test_one_that_never_answers_is_stopped_with_all_that_it_started(tiny, install, tmp_path):
    _, dataset = tiny("firing_detection")
    told = tmp_path / "pids.txt"
    does = f"open({str(told)!r}, 'a').write(f'{{os.fork() and os.getpid()}} {{os.getpid()}}\\n'); time.sleep(600)"
    install("sleeper", detector(does))
    begin = time.monotonic()
    with pytest.raises(PluginError, match="no answer within 20 s; it was stopped"):
        run_in_subprocess(dataset, "test", "detectors", "sleeper", {}, limit_s=20.0)
    assert time.monotonic() - begin < 60
    pids = {int(line.split()[1]) for line in told.read_text().splitlines()}
    assert len(pids) == 2
    # The signal is sent to the whole group; a child that is not ours dies when it is next given a processor.
    while any(runs(pid) for pid in pids):
        assert time.monotonic() - begin < 60
        time.sleep(0.05)


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGKILL])
def test_a_run_that_is_stopped_leaves_no_plug_in_running(tiny, install, tmp_path, number):
    protocol, dataset = tiny("firing_detection")
    told = tmp_path / "pids.txt"
    does = f"open({str(told)!r}, 'a').write(f'{{os.getpid()}} {{os.getcwd()}}\\n'); time.sleep(600)"
    install("sleeper", detector(does))
    code = (
        "import sys; from pathlib import Path; from sigkit.bench.protocol import read_protocol\n"
        "from sigkit.bench.run_protocol import run_protocol; from sigkit.corpus.dataset import Dataset\n"
        "protocol, folder, runs = sys.argv[1:]\n"
        "run_protocol(read_protocol(protocol), 'sleeper', Dataset.open(folder), Path(runs))"
    )
    (tmp_path / "runs").mkdir()
    command = [sys.executable, "-c", code, protocol.file, str(dataset.folder), str(tmp_path / "runs")]
    path = os.pathsep.join(one for one in sys.path if one)
    running = subprocess.Popen(command, env={**os.environ, "PYTHONPATH": path}, stderr=subprocess.DEVNULL)
    end = time.monotonic() + 60
    while not told.exists() or not told.read_text().endswith("\n"):
        assert running.poll() is None
        assert time.monotonic() < end
        time.sleep(0.05)
    running.send_signal(number)
    assert running.wait(30) != 0
    plugin = int(told.read_text().split()[0])
    while runs(plugin):
        assert time.monotonic() < end
        time.sleep(0.05)
    # What a killed process leaves is removed by the next run.
    assert not [one for one in (tmp_path / "runs").iterdir() if not one.name.startswith(".running-")]
    run_protocol(protocol, "block_activity", dataset, tmp_path / "runs")
    assert len(list((tmp_path / "runs").iterdir())) == 3
    assert not any(Path(one).exists() for one in told.read_text().split()[1:])


def test_what_a_plug_in_prints_does_not_reach_the_answer_and_a_forked_child_does_not_answer_too(tiny, install):
    _, dataset = tiny("firing_detection")
    install("chatty", detector("print('capture,time_s'); os.fork()"))
    answer = run_in_subprocess(dataset, "test", "detectors", "chatty", {})
    install("quiet", detector())
    assert answer.table["time_s"].tolist() == pytest.approx(
        run_in_subprocess(dataset, "test", "detectors", "quiet", {}).table["time_s"].tolist()
    )


@pytest.mark.parametrize(
    ("tunable", "words"),
    [
        ("tunable = {'a': (1,), 'b': (2,)}", "expected one setting and its values"),
        ("tunable = {'a': 0.5}", "expected one setting and its values"),
        ("tunable = {'a': ()}", "the setting has no values"),
        ("tunable = ['a']", "expected one setting and its values"),
        ("tunable = {'a': (1, 2)}", "TypeError"),
    ],
)
def test_a_wrong_tunable_is_told_and_leaves_no_result(tiny, install, tmp_path, tunable, words):
    protocol, dataset = tiny("firing_detection")
    install("tuned", detector(tunable=tunable))
    (tmp_path / "runs").mkdir()
    with pytest.raises(PluginError, match=words):
        run_protocol(protocol, "tuned", dataset, tmp_path / "runs")
    assert not list((tmp_path / "runs").iterdir())


def test_settings_of_numpy_are_tried_like_plain_ones(tiny, install, tmp_path):
    protocol, dataset = tiny("firing_detection")
    more = "\n    def __init__(self, place=9):\n        self.place = int(place)\n"
    install("tuned", detector(tunable="tunable = {'place': np.array([9, 18])}", position="one * self.place", more=more))
    result = run_protocol(protocol, "tuned", dataset, tmp_path)
    assert [one[0] for one in result["choice"]["tried"]] == [{"place": 9}, {"place": 18}]
    assert json.loads((tmp_path / "tiny_firing_detection--tuned.json").read_text(encoding="utf-8"))["settings"]


def test_nobody_takes_the_name_of_the_whole_chain_or_one_that_names_no_file(tiny, install):
    role, _ = tiny("role")
    install("screen", "class Plugin:\n    def judge_roles(self, table, captures): return []\n", "role_judges")
    mine = [one for one in competitors(role) if one.name == "screen"]
    assert [one.origin for one in mine if not one.problem] == ["built-in"]
    assert "rename the plug-in" in next(one.problem for one in mine if one.problem)
    detection, _ = tiny("firing_detection")
    install("../up", detector())
    assert "cannot name its files" in next(one.problem for one in competitors(detection) if one.name == "../up")


SOURCES = {
    "detectors": detector(),
    "locators": "class Plugin:\n    name = 'l'\n    def locate(self, channel, firings): {does}\n",
    "classifiers": "class Plugin:\n    def judge(self, X): {does}\n",
    "features": "class Plugin:\n    def fit(self, X, y=None): {does}\n    def transform(self, X): return X\n"
    "    def get_feature_names_out(self): return []\n",
    "readers": "class Plugin:\n    name, suffixes = 'r', ('.r',)\n    def sniff(self, head, name): {does}\n"
    "    def read(self, source, name, options): {does}\n",
    "role_judges": "class Plugin:\n    def judge_roles(self, table, captures): {does}\n",
    "screeners": "class Plugin:\n    def score_captures(self, table, captures): {does}\n",
}


@pytest.mark.parametrize("group", registry.GROUPS)
def test_no_kind_of_plug_in_passes_its_check_by_ending_the_process(install, capfd, group):
    does = "print('noise'); __import__('os')._exit(0)"
    install("leaver", detector(does) if group == "detectors" else SOURCES[group].format(does=does), group)
    with pytest.raises(SystemExit) as ended:
        main(["bench", "check", "leaver"])
    said = capfd.readouterr().out
    assert ended.value.code == 1
    assert f"FAILED  {group}: " in said
    assert "it ended the process with code 0" in said
    assert "noise" not in said


@pytest.mark.parametrize("group", registry.GROUPS)
def test_no_kind_of_plug_in_passes_its_check_by_raising_or_answering_nothing(install, group):
    for name, does in (("quitter", "raise SystemExit(0)"), ("mute", "return None")):
        install(name, detector(does) if group == "detectors" else SOURCES[group].format(does=does), group)
        failed = [one for one in check_plugin(name) if not one.passed]
        assert failed
        assert all(one.problem for one in failed)


def test_a_check_that_hangs_is_stopped_and_says_where(install):
    install("sleeper", detector("time.sleep(600)"))
    results = check_isolated("sleeper", limit_s=20.0)
    assert [one.word for one in results] == ["FAILED"]
    assert results[0].check == "contract: one answer a channel, in order, positions inside the record"
    assert results[0].problem == "no end within 20 s; it was stopped"


def test_a_forked_child_does_not_tell_its_checks_too(install):
    install("twin", detector("os.fork()"))
    install("plain", detector())
    told = [(one.check, one.word) for one in check_isolated("twin", limit_s=120.0)]
    assert told == [(one.check, one.word) for one in check_isolated("plain")]


def test_a_class_that_cannot_even_be_asked_fails_its_check(install):
    source = "class Plugin:\n    name, suffixes = 'r', ('.r',)\n    def __init__(self, key): pass\n"
    source += "    def sniff(self, head, name): return 0.0\n    def read(self, source, name, options): return []\n"
    install("locked", source, "readers")
    assert "TypeError" in [one.problem for one in check_plugin("locked") if not one.passed][-1]
    install("odd", detector(tunable="tunable = 5\n    invariances = 7"))
    failed = {one.check: one.problem for one in check_plugin("odd") if not one.passed}
    assert "found 5" in failed["declared: tunable names one setting at most, with its values"]
    assert "TypeError" in failed["the remaining checks"]


def test_a_broken_import_and_a_clash_are_told_and_leave_the_others_alone(install):
    install("leaving", "raise SystemExit('no licence')")
    with pytest.raises(PluginError, match=r"leaving.*SystemExit: no licence"):
        check_isolated("leaving")
    install("block_activity", detector())
    with pytest.raises(PluginError, match=r"'block_activity' in sigkit\.detectors is claimed by .*rename one"):
        check_isolated("block_activity")
    install("fine", detector())
    assert check_isolated("fine")[0].passed


def runs(pid: int) -> bool:
    """Tell whether a process is there and has not ended."""
    try:
        os.kill(pid, 0)
        with open(f"/proc/{pid}/stat", encoding="ascii") as stream:
            return stream.read().rsplit(")", 1)[1].split()[0] not in ("Z", "X")
    except (ProcessLookupError, FileNotFoundError):
        return False
