"""The conformance kit in a process of its own: a plug-in may print, hang, fork or end its process there.

The process is ``python -m sigkit.bench.check_isolated NAME GROUP LINES``; it writes one line of JSON before and one
after each check, so that the check at which it ended is known.
"""

from __future__ import annotations

import json
import os
import sys
import tempfile
from pathlib import Path

from sigkit.bench.check_plugin import CheckResult, chosen_groups, iterate_checks
from sigkit.bench.run_alone import end_with_parent, run_alone
from sigkit.errors import PluginError, SigkitError

#: Longest time for all checks of a plug-in, seconds; the slowest of our own takes an eighth of it (our choice).
LIMIT_S = 600.0


def check_isolated(name: str, group: str = "", limit_s: float = LIMIT_S) -> list[CheckResult]:
    """Check a registered plug-in in a process of its own; parameters and results as of `check_plugin`.

    Parameters
    ----------
    name, group : str
    limit_s : float
        Longest time for all checks, seconds.

    Returns
    -------
    list of CheckResult
        Ends with a failed one where the process ended before its time, or had to be stopped.

    Raises
    ------
    PluginError
        When no group has such a plug-in, or it cannot be loaded.
    """
    with tempfile.TemporaryDirectory(prefix="sigkit-check-") as folder:
        home = Path(folder)
        path = [entry for entry in sys.path if entry and Path(entry).is_dir()]
        environment = {**os.environ, "PYTHONPATH": os.pathsep.join(path), "PYTHONDONTWRITEBYTECODE": "1"}
        lines = home / "lines.jsonl"
        lines.touch()
        command = [sys.executable, "-W", "ignore", "-m", "sigkit.bench.check_isolated", name, group, str(lines)]
        try:
            ended = run_alone(command, home, environment, limit_s)
            fault = f"it ended the process with code {ended.code}"
            fault += f": {ended.last_words}" if ended.code and ended.last_words else ""
        except TimeoutError:
            fault = f"no end within {limit_s:g} s; it was stopped"
        results: list[CheckResult] = []
        begun = {"group": group, "check": "it can be loaded"}
        for line in lines.read_text(encoding="utf-8").splitlines():
            told = json.loads(line)
            if "error" in told:
                raise PluginError(told["error"])
            if told.pop("begins", False):
                begun = told
            elif told.pop("done", False):
                return results
            else:
                results.append(CheckResult(**told))
    results.append(CheckResult(begun["group"], name, begun["check"], fault))
    return results


def work(name: str, group: str, lines: Path) -> None:
    """Check a plug-in here, and write what is found line by line."""
    own = os.getpid()

    def write(**told: object) -> None:
        if os.getpid() != own:
            # A child that the plug-in forked and forgot has come this far too: one process tells.
            os._exit(0)
        with lines.open("a", encoding="utf-8") as stream:
            stream.write(json.dumps(told) + "\n")

    try:
        for one in chosen_groups(name, group):
            for words, run in iterate_checks(name, one):
                write(begins=True, group=one, check=words)
                found = run()
                write(group=one, plugin=name, check=words, problem=found.problem, declared=found.declared)
    except SigkitError as fault:
        write(error=str(fault))
    write(done=True)


if __name__ == "__main__":
    end_with_parent(Path(sys.argv[3]).parent)
    work(sys.argv[1], sys.argv[2], Path(sys.argv[3]))
