"""The command line as a whole: help, exit codes, errors in one message, plug-ins and models in info."""

from __future__ import annotations

import json
import subprocess
import sys

import pytest

from sigkit import shipped
from sigkit.cli.main import COMMANDS, main
from sigkit.errors import SigkitError


def run(*arguments):
    """Run sigkit in this process and return its exit code."""
    with pytest.raises(SystemExit) as stop:
        main(list(arguments))
    return stop.value.code


def test_help_lists_every_command_and_an_example(capsys):
    assert run("--help") == 0
    told = capsys.readouterr().out
    for name, (_, _, words) in COMMANDS.items():
        assert name in told
        assert words in told
    assert "Example: sigkit screen demo --out report" in told
    assert "dangerous" in told


@pytest.mark.parametrize("name", COMMANDS)
def test_help_of_each_command_shows_an_example(name, capsys):
    assert run(name, "--help") == 0
    told = capsys.readouterr().out
    assert f"Example: sigkit {name}" in told


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["nothing"], "No such command 'nothing'"),
        (["--nothing"], "No such option"),
        (["screen"], "Missing argument"),
        (["measure", "demo", "--rate", "fast"], "Invalid value for '--rate'"),
        (["model", "nothing"], "No such command 'nothing'"),
    ],
)
def test_wrong_usage_is_exit_code_2(arguments, message, capsys):
    assert run(*arguments) == 2
    assert message in capsys.readouterr().err


def test_an_error_is_one_message_and_exit_code_1(tmp_path, capsys, monkeypatch):
    monkeypatch.delenv("SIGKIT_DEBUG", raising=False)
    absent = str(tmp_path / "absent.csv")
    assert run("measure", absent) == 1
    told = capsys.readouterr()
    assert told.out == ""
    assert told.err.startswith(f"sigkit: {absent}: there is no such file")
    assert told.err.count("\n") == 1


def test_a_refusal_of_the_operating_system_is_a_message_too(capsys, monkeypatch):
    def refuse():
        raise PermissionError(13, "Permission denied", "/somewhere")

    monkeypatch.setattr(shipped, "demo_archive", refuse)
    monkeypatch.delenv("SIGKIT_DEBUG", raising=False)
    assert run("measure", "demo") == 1
    assert capsys.readouterr().err == "sigkit: [Errno 13] Permission denied: '/somewhere'\n"


def test_debug_shows_the_traceback(tmp_path, monkeypatch):
    monkeypatch.delenv("SIGKIT_DEBUG", raising=False)
    with pytest.raises(SigkitError, match="no such file"):
        main(["--debug", "measure", str(tmp_path / "absent.csv")])
    monkeypatch.setenv("SIGKIT_DEBUG", "1")
    with pytest.raises(SigkitError, match="no such file"):
        main(["measure", str(tmp_path / "absent.csv")])


def test_a_quiet_file_is_nothing_usable(tmp_path, capsys):
    quiet = tmp_path / "quiet.csv"
    quiet.write_text("time (s),voltage (V)\n" + "".join(f"{i * 1e-5:.5f},0.0\n" for i in range(2000)))
    assert run("measure", str(quiet)) == 1


def test_info_as_json_names_versions_plugins_models_and_demo(capsys):
    assert run("info", "--json") == 0
    told = json.loads(capsys.readouterr().out)
    assert told["versions"]["sigkit"] == "0.1.0"
    assert told["plugins"]["detectors"]["block_activity"] == "ok"
    assert all(state == "sound" for state in told["models"].values())
    assert told["demo"] == str(shipped.demo_archive())


def test_info_lists_a_broken_plugin_with_its_reason(tmp_path, monkeypatch, capsys):
    info = tmp_path / "stranger-1.0.dist-info"
    info.mkdir()
    (info / "METADATA").write_text("Metadata-Version: 2.1\nName: stranger\nVersion: 1.0\n")
    (info / "entry_points.txt").write_text("[sigkit.locators]\nodd = not_there_at_all:Odd\n")
    monkeypatch.syspath_prepend(str(tmp_path))
    assert run("info") == 0
    assert "odd: plug-in 'odd' of sigkit.locators (not_there_at_all:Odd) cannot be imported" in capsys.readouterr().out


def test_version_and_running_as_a_program():
    done = subprocess.run(
        [sys.executable, "-c", "from sigkit.cli.main import main; main()", "--version"],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert done.stdout == "sigkit 0.1.0\n"


def test_shipped_places_in_a_checkout_and_in_a_wheel(tmp_path, monkeypatch):
    for root in (tmp_path / "site" / "sigkit" / "_shipped", tmp_path / "checkout"):
        (root / "datasets" / shipped.DEMO / "captures").mkdir(parents=True)
        (root / "models").mkdir()
    monkeypatch.setattr(shipped, "__file__", str(tmp_path / "site" / "sigkit" / "shipped.py"))
    assert shipped.demo_archive() == tmp_path / "site" / "sigkit" / "_shipped" / "datasets" / shipped.DEMO / "captures"
    assert shipped.shipped_models() == tmp_path / "site" / "sigkit" / "_shipped" / "models"
    monkeypatch.setattr(shipped, "__file__", str(tmp_path / "checkout" / "sigkit" / "shipped.py"))
    assert shipped.demo_archive() == tmp_path / "checkout" / "datasets" / shipped.DEMO / "captures"
    monkeypatch.setattr(shipped, "__file__", str(tmp_path / "elsewhere" / "sigkit" / "shipped.py"))
    assert shipped.shipped_models() is None
    with pytest.raises(SigkitError, match="not part of this installation"):
        shipped.demo_archive()
