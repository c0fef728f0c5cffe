"""A request to end is not lost, also where Python forgets the exception of its signal."""

import os
import subprocess
import sys
import textwrap

import pytest

pytestmark = pytest.mark.skipif(os.name != "posix", reason="signals as POSIX knows them")

#: ctypes prints and forgets what is raised in a function called back from C (Python's documentation of ctypes).
SCRIPT = """
    import ctypes, os, signal, sys
    from sigkit.interruption import end_when_asked
    from sigkit.jobs import stream_jobs

    @ctypes.PYFUNCTYPE(None)
    def called_back():
        os.kill(os.getpid(), int(sys.argv[1]))

    def task(number):
        if number == 1:
            called_back()
        print(number, flush=True)

    if sys.argv[2] == "noted":
        end_when_asked()
    for _ in stream_jobs(task, range(4)):
        pass
"""


def run(number, how):
    command = [sys.executable, "-c", textwrap.dedent(SCRIPT), str(int(number)), how]
    return subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)


@pytest.mark.parametrize(("number", "code"), [(15, 143), (2, -2)])
def test_a_request_forgotten_by_a_callback_ends_the_work_before_the_next_task(number, code):
    ended = run(number, "noted")
    assert ended.returncode == code, ended.stderr
    assert ended.stdout.split() == ["0", "1"]


def test_a_callback_does_forget_it_otherwise():
    ended = run(2, "plain")
    assert ended.returncode == 0
    assert ended.stdout.split() == ["0", "1", "2", "3"]
