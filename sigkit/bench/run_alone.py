"""Run a stranger's program with a limit on its time, and leave nothing of it running."""

from __future__ import annotations

import contextlib
import os
import shutil
import signal
import subprocess
import threading
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

#: A process looks this often whether its parent is there, seconds (our choice).
WATCH_S = 0.5


@dataclass(frozen=True)
class Ended:
    """How a process ended.

    Attributes
    ----------
    code : int
        Its exit code; negative for a signal.
    last_words : str
        Last line it wrote to standard error, else to standard output, ``""`` for none.
    """

    code: int
    last_words: str


def run_alone(command: Sequence[str], home: Path, environment: Mapping[str, str], limit_s: float) -> Ended:
    """Run a command in a process group of its own and end the whole group afterwards.

    What it prints goes to files: a forked child that keeps a pipe open would be waited for.

    Parameters
    ----------
    command : sequence of str
    home : Path
        Working folder; ``stdout.txt`` and ``stderr.txt`` are written into it.
    environment : mapping
    limit_s : float
        Longest time, seconds.

    Raises
    ------
    TimeoutError
        When it took longer; it is ended then.
    """
    out, err = home / "stdout.txt", home / "stderr.txt"
    with out.open("wb") as stdout, err.open("wb") as stderr:
        running = subprocess.Popen(
            list(command), cwd=home, env=dict(environment), stdin=subprocess.DEVNULL, stdout=stdout, stderr=stderr,
            start_new_session=True,
        )  # fmt: skip
        try:
            running.wait(limit_s)
        except subprocess.TimeoutExpired:
            raise TimeoutError(f"longer than {limit_s:g} s") from None
        finally:
            # An interrupt of this process ends here too.
            end_group(running)
    return Ended(running.returncode, _last_line(err) or _last_line(out))


def end_with_parent(home: Path) -> None:
    """Let this process, started by `run_alone`, and what it started end when its parent is gone.

    A parent that is killed has no time to end the group itself, nor to remove its files.

    Parameters
    ----------
    home : Path
        Folder made for this process alone, which is removed then.
    """
    if not hasattr(os, "killpg"):
        return
    parent, own = os.getppid(), os.getpid()

    def watch() -> None:
        while os.getppid() == parent:
            time.sleep(WATCH_S)
        shutil.rmtree(home, ignore_errors=True)
        if os.getpgid(0) == own:
            os.killpg(own, signal.SIGKILL)

    threading.Thread(target=watch, daemon=True).start()


def end_group(running: subprocess.Popen[bytes]) -> None:
    """End a process that leads a group, and what it started."""
    if hasattr(os, "killpg"):
        # Nobody of the group may be left.
        with contextlib.suppress(ProcessLookupError, PermissionError):
            os.killpg(running.pid, signal.SIGKILL)
    else:
        running.kill()
    running.wait()


def _last_line(path: Path) -> str:
    lines = path.read_text(encoding="utf-8", errors="replace").strip().splitlines()
    return lines[-1].strip() if lines else ""
