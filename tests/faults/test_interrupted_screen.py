"""A run that is stopped half way leaves no half-written output and no unfinished folder."""

import os
import signal
import subprocess
import sys
import time

import pytest

from sigkit.report.report_folder import report_folder
from sigkit.screen import screen_archive as room
from sigkit.shipped import demo_archive

pytestmark = pytest.mark.skipif(os.name != "posix", reason="signals as POSIX knows them")


def names(folder):
    return sorted(path.name for path in folder.iterdir())


def started(tmp_path, *more):
    code = "import sys; from sigkit.cli.main import main; main(sys.argv[1:])"
    arguments = ["screen", str(demo_archive()), "--out", str(tmp_path / "report"), "--workers", "1", *more]
    process = subprocess.Popen([sys.executable, "-c", code, *arguments], stderr=subprocess.PIPE, stdout=subprocess.PIPE)
    # Half way: the temporary folder is there and tables have been laid aside in it.
    end = time.monotonic() + 60
    while time.monotonic() < end and not any(tmp_path.glob(".report.unfinished-*/.measured/*")):
        assert process.poll() is None, process.stderr.read()
        time.sleep(0.02)
    return process


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_leaves_nothing_behind(tmp_path, number):
    process = started(tmp_path)
    process.send_signal(number)
    process.communicate(timeout=60)
    assert process.returncode not in (0, None)
    assert names(tmp_path) == []


def test_a_kill_leaves_no_output_under_the_name_asked_for(tmp_path):
    process = started(tmp_path)
    process.kill()
    process.communicate(timeout=60)
    # Nothing can tidy up after SIGKILL: what is left is hidden and called unfinished.
    assert not (tmp_path / "report").exists()
    assert all(name.startswith(".report.unfinished-") for name in names(tmp_path))


def test_an_interruption_keeps_the_earlier_output(tmp_path):
    with report_folder(tmp_path / "report") as folder:
        (folder / "run.json").write_text('{"program": "sigkit screen"}')
    process = started(tmp_path, "--overwrite")
    process.send_signal(signal.SIGINT)
    process.communicate(timeout=60)
    assert names(tmp_path) == ["report"]
    assert names(tmp_path / "report") == ["run.json"]


@pytest.mark.parametrize("step", ["write_captures", "write_run_record", "render_page", "judge_engine"])
def test_a_fault_while_writing_leaves_nothing_behind(tmp_path, monkeypatch, step):
    def full(*arguments):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(room, step, full)
    monkeypatch.setattr(room, "load_default_model", lambda: None)
    files = [str(sorted((demo_archive() / "dipper").iterdir())[0])]
    with pytest.raises(OSError, match="No space left"):
        room.screen_archive(files, tmp_path / "report", workers=1, progress=False)
    assert names(tmp_path) == []
