"""The one executor: run a function over tasks on several cores, in order, with progress and per-task errors.

Built on joblib (loky processes; ``joblib.parallel_config`` hands the work to another backend, dask for
one). Results come in the order of the tasks and are the same for any number of workers: every task
runs with one thread for linear algebra and OpenMP, so sums are added in one order.
"""

from __future__ import annotations

import os
import sys
import traceback
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from itertools import islice
from typing import Any

from sigkit.interruption import leave_if_asked

#: Tasks in flight for each worker: enough to keep it busy, few enough to bound memory (our choice).
TASKS_IN_FLIGHT = 8


@dataclass(frozen=True)
class TaskFailure:
    """Stands in the results for a task that failed.

    Attributes
    ----------
    task : str
        The task in words (``describe``).
    error : Exception
        What was raised.
    details : str
        Traceback as text, for a log.
    """

    task: str
    error: Exception
    details: str = ""

    def __str__(self) -> str:
        return f"{self.task}: {type(self.error).__name__}: {self.error}"


class WorkerDied(RuntimeError):
    """A worker process ended while it ran the task (out of memory, or a crash in compiled code)."""


def run_jobs(
    function: Callable[[Any], Any],
    tasks: Iterable[Any],
    workers: int = 1,
    *,
    progress: str = "",
    describe: Callable[[Any], str] = str,
    byte_count: Callable[[Any], int] | None = None,
) -> list[Any]:
    """Run a function over all tasks and return the results in order.

    Parameters
    ----------
    function : callable
        Takes one task. Must be importable (or picklable by value) when workers > 1.
    tasks : iterable
        Small objects: pass paths, not arrays.
    workers : int
        Processes, 1 or more; 1 runs in this process. 0 means one a core.
    progress : str
        Title of a progress line with the rate on standard error; ``""`` for none. Nothing is shown
        when standard error is not a terminal.
    describe : callable
        Task -> words, used in `TaskFailure`.
    byte_count : callable, optional
        Task -> bytes; the progress line then counts bytes instead of tasks.

    Returns
    -------
    list
        One entry a task; a `TaskFailure` where the task raised an exception or killed its worker.

    Examples
    --------
    >>> [str(result) for result in run_jobs(float, ["1.5", "x"], describe="task {}".format)]
    ['1.5', "task x: ValueError: could not convert string to float: 'x'"]
    """
    return list(
        stream_jobs(
            function, list(tasks), workers, progress=progress, describe=describe, byte_count=byte_count
        )
    )


def stream_jobs(
    function: Callable[[Any], Any],
    tasks: Iterable[Any],
    workers: int = 1,
    *,
    progress: str = "",
    describe: Callable[[Any], str] = str,
    byte_count: Callable[[Any], int] | None = None,
) -> Iterator[Any]:
    """Yield the results in the order of the tasks, as they finish, with bounded memory.

    At most ``2 * TASKS_IN_FLIGHT`` tasks a worker are taken from ``tasks`` ahead of the result being
    yielded, however long the iterable and however slow the consumer. Parameters and results are those
    of `run_jobs`.
    """
    if workers < 0:
        raise ValueError(f"workers is {workers}; expected 0 (one a core) or more")
    workers = workers or available_cores()
    run = _Guarded(function, describe)
    total = _total(tasks, byte_count)
    with _ProgressLine(progress, total, byte_count is not None) as line:
        for task, result in _results(run, iter(tasks), workers):
            leave_if_asked()
            line.advance(byte_count(task) if byte_count else 1)
            yield result


def available_cores() -> int:
    """Return the number of cores this process may use (joblib honours limits of containers)."""
    import joblib

    return int(joblib.cpu_count())


class _Guarded:
    """The function as a worker runs it: one thread, and an exception becomes a result."""

    def __init__(self, function: Callable[[Any], Any], describe: Callable[[Any], str]) -> None:
        self.function = function
        self.describe = describe

    def __call__(self, task: Any) -> Any:
        # joblib sets OMP_NUM_THREADS and its kin in loky workers, but not in this process or under dask.
        from threadpoolctl import threadpool_limits

        try:
            with threadpool_limits(limits=1):
                return self.function(task)
        except Exception as error:  # noqa: BLE001  one task must never stop the rest
            return TaskFailure(self.describe(task), _sendable(error), traceback.format_exc())

    def died(self, task: Any) -> TaskFailure:
        reason = "its worker process ended (out of memory, or a crash in compiled code)"
        return TaskFailure(self.describe(task), WorkerDied(reason))


def _sendable(error: Exception) -> Exception:
    """Return the error, or its text in a RuntimeError if it does not survive the way between processes."""
    import pickle

    try:
        pickle.loads(pickle.dumps(error))
    except Exception:  # noqa: BLE001  a stranger's exception may fail in any way
        return RuntimeError(f"{type(error).__name__}: {error}")
    return error


def _results(run: _Guarded, tasks: Iterator[Any], workers: int) -> Iterator[tuple[Any, Any]]:
    import joblib

    chosen_elsewhere = not isinstance(joblib.parallel.get_active_backend()[0], _default_backend())
    if workers == 1 and not chosen_elsewhere:
        for task in tasks:
            yield task, run(task)
        return
    # joblib's own generator goes on computing while nobody takes its results; rounds bound what is held.
    # The next round is started before this one is given out, so the workers stay busy meanwhile.
    # A backend chosen by the caller is one object that cannot serve two rounds at a time.
    window = TASKS_IN_FLIGHT * (joblib.effective_n_jobs() if chosen_elsewhere else workers)
    ahead = 1 if chosen_elsewhere else 2
    rounds: list[_Round] = []
    try:
        while True:
            batch = list(islice(tasks, window))
            if batch:
                rounds.append(_Round(run, batch, workers, chosen_elsewhere))
            if not rounds:
                return
            if len(rounds) == ahead or not batch:
                yield from rounds[0].results()
                rounds.pop(0)
    finally:
        for unfinished in rounds:
            unfinished.close()


def _default_backend() -> type:
    from joblib._parallel_backends import LokyBackend

    return LokyBackend


class _Round:
    """A batch of tasks that runs while others are given out."""

    def __init__(self, run: _Guarded, batch: list[Any], workers: int, chosen_elsewhere: bool) -> None:
        self.run, self.batch = run, batch
        self.workers, self.chosen_elsewhere = workers, chosen_elsewhere
        self.stopped = False
        self.stream = self._start(batch, workers)

    def _start(self, batch: list[Any], workers: int) -> Any:
        import joblib

        calls = (joblib.delayed(self.run)(task) for task in batch if not self.stopped)
        if self.chosen_elsewhere:
            return joblib.Parallel(return_as="generator")(calls)
        with joblib.parallel_config("loky", n_jobs=workers, inner_max_num_threads=1):
            return joblib.Parallel(return_as="generator", batch_size=1)(calls)

    def results(self) -> Iterator[tuple[Any, Any]]:
        from joblib.externals.loky.process_executor import BrokenProcessPool

        given = 0
        try:
            for result in self.stream:
                yield self.batch[given], result
                given += 1
            return
        except BrokenProcessPool:
            pass
        # A worker died, and nobody knows on which task: the rest run again one at a time.
        for task in self.batch[given:]:
            try:
                [result] = self._start([task], 2)
            except BrokenProcessPool:
                result = self.run.died(task)
            yield task, result

    def close(self) -> None:
        """Start nothing more and let the running tasks end; ending them by force upsets the pool."""
        from joblib.externals.loky.process_executor import BrokenProcessPool

        self.stopped = True
        try:
            for _ in self.stream:
                pass
        except BrokenProcessPool:  # an interrupt reached the workers too
            pass


def _total(tasks: Iterable[Any], byte_count: Callable[[Any], int] | None) -> int | None:
    if not isinstance(tasks, (list, tuple)):
        return None
    return sum(byte_count(task) for task in tasks) if byte_count else len(tasks)


class _ProgressLine:
    """One line of progress with its rate on standard error; nothing when that is no terminal."""

    def __init__(self, title: str, total: int | None, in_bytes: bool) -> None:
        self.title, self.total, self.in_bytes = title, total, in_bytes
        self.shown: Any = None

    def __enter__(self) -> _ProgressLine:
        if self.title and sys.stderr.isatty() and os.environ.get("TERM") != "dumb":
            self.shown = self._open()
            self.shown.start()
            self.row = self.shown.add_task(self.title, total=self.total)
        return self

    def _open(self) -> Any:
        from rich.console import Console
        from rich.progress import (
            BarColumn,
            DownloadColumn,
            MofNCompleteColumn,
            Progress,
            ProgressColumn,
            TextColumn,
            TimeRemainingColumn,
            TransferSpeedColumn,
        )
        from rich.text import Text

        class TaskRate(ProgressColumn):
            def render(self, task: Any) -> Text:
                return Text(f"{task.speed:.1f}/s" if task.speed else "-")

        counts: list[ProgressColumn] = (
            [DownloadColumn(), TransferSpeedColumn()] if self.in_bytes else [MofNCompleteColumn(), TaskRate()]
        )
        return Progress(
            TextColumn("{task.description}"), BarColumn(), *counts, TimeRemainingColumn(),
            console=Console(stderr=True), transient=True,
        )

    def advance(self, amount: int) -> None:
        if self.shown is not None:
            self.shown.advance(self.row, amount)

    def __exit__(self, *error: object) -> None:
        if self.shown is not None:
            self.shown.stop()
