"""The executor: same results for any number of workers, failures stay with their task, memory is bounded."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import textwrap
import time
from itertools import count

import joblib
import numpy as np
import pytest

from sigkit import jobs
from sigkit.jobs import TaskFailure, run_jobs, stream_jobs


def spectrum_or_error(seed):
    if seed == 7:
        raise ValueError("seven is refused")
    matrix = np.random.default_rng(seed).normal(size=(60, 60))
    return np.linalg.eigvalsh(matrix @ matrix.T)


def threads(_):
    from threadpoolctl import threadpool_info

    np.ones((4, 4)) @ np.ones((4, 4))
    return os.environ.get("OMP_NUM_THREADS"), [pool["num_threads"] for pool in threadpool_info()]


def end_the_process_on_three(task):
    if task == 3:
        os._exit(5)
    return task


class Unsendable(Exception):
    def __init__(self, one, two):
        super().__init__(f"{one} {two}")
        self.handle = lambda: None  # nothing sends this, whatever a library teaches the pickler about exceptions


def raise_unsendable(task):
    raise Unsendable(task, "b")


@pytest.mark.parametrize("workers", [2, 4])
def test_results_do_not_depend_on_the_workers(workers):
    alone = run_jobs(spectrum_or_error, range(20), 1)
    many = run_jobs(spectrum_or_error, range(20), workers)
    assert len(alone) == len(many) == 20
    for task, (one, other) in enumerate(zip(alone, many)):
        if task == 7:
            assert str(one) == str(other) == "7: ValueError: seven is refused"
            assert "seven is refused" in other.details
        else:
            np.testing.assert_array_equal(one, other)


@pytest.mark.parametrize("workers", [1, 2])
def test_one_thread_a_worker(workers):
    for variable, pools in run_jobs(threads, range(4), workers):
        assert pools
        assert set(pools) == {1}
        if workers > 1:
            assert variable == "1"


def test_a_dying_worker_costs_its_own_task_only():
    results = run_jobs(end_the_process_on_three, range(6), 2, describe="capture {}".format)
    assert results[:3] + results[4:] == [0, 1, 2, 4, 5]
    assert isinstance(results[3], TaskFailure)
    assert str(results[3]).startswith("capture 3: WorkerDied: its worker process ended")


@pytest.mark.parametrize("workers", [1, 2])
def test_an_exception_that_does_not_travel_becomes_text(workers):
    [failure] = run_jobs(raise_unsendable, ["a"], workers)
    assert isinstance(failure.error, RuntimeError)
    assert "a b" in str(failure)


@pytest.mark.parametrize("workers", [1, 2])
def test_streaming_is_ordered_and_takes_few_tasks_ahead(workers):
    taken = []

    def endless():
        for number in count():
            taken.append(number)
            yield number

    stream = stream_jobs(abs, endless(), workers)
    for expected in range(100):
        assert next(stream) == expected
        assert len(taken) - expected <= 2 * jobs.TASKS_IN_FLIGHT * workers
    stream.close()


def test_another_backend_can_take_over():
    with joblib.parallel_config("threading", n_jobs=2):
        results = run_jobs(lambda task: (task, os.getpid()), range(40), 1)
    assert results == [(task, os.getpid()) for task in range(40)]


def test_no_tasks_and_bad_workers():
    assert run_jobs(abs, [], 2) == []
    with pytest.raises(ValueError, match="workers is -1"):
        run_jobs(abs, [1], -1)


def test_no_progress_where_there_is_no_terminal(capsys):
    run_jobs(abs, [1, 2], 1, progress="Counting")
    captured = capsys.readouterr()
    assert captured.out == captured.err == ""


def test_progress_counts_bytes_with_their_rate(monkeypatch):
    line = jobs._ProgressLine("Reading", 3_000_000, in_bytes=True)
    monkeypatch.setattr(sys.stderr, "isatty", lambda: True, raising=False)
    monkeypatch.setenv("TERM", "xterm")
    with line:
        for _ in range(2):
            time.sleep(0.01)
            line.advance(1_000_000)
        from rich.console import Console

        console = Console(width=160)
        with console.capture() as capture:
            console.print(line.shown.get_renderable())
    assert "2.0/3.0 MB" in capture.get()
    assert "B/s" in capture.get()


SCRIPT = """
    import sys, time
    from sigkit.jobs import run_jobs

    def wait(task):
        time.sleep(60)

    if __name__ == "__main__":
        print("ready", flush=True)
        run_jobs(wait, range(80), int(sys.argv[1]))
"""


@pytest.mark.parametrize("workers", ["1", "2"])
def test_keyboard_interrupt_ends_at_once_and_leaves_no_worker(tmp_path, workers):
    script = tmp_path / "wait.py"
    script.write_text(textwrap.dedent(SCRIPT))
    process = subprocess.Popen(
        [sys.executable, str(script), workers], stdout=subprocess.PIPE, stderr=subprocess.PIPE,
        text=True, start_new_session=True,
    )
    assert process.stdout.readline() == "ready\n"
    time.sleep(1.0)
    os.killpg(process.pid, signal.SIGINT)
    _, stderr = process.communicate(timeout=20)
    assert process.returncode != 0
    assert "KeyboardInterrupt" in stderr
    deadline = time.monotonic() + 10
    while time.monotonic() < deadline:
        try:
            os.killpg(process.pid, 0)
        except ProcessLookupError:
            return
        time.sleep(0.05)
    pytest.fail("worker processes are still there")
