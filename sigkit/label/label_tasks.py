"""What a reader is asked to look at, in which order and how presented; the same seed gives the same."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sigkit.label.firing_times import FiringTime

#: Begin and length of the window around a firing, milliseconds (our choice: dwell up to 5 ms before, burn and ring up
#: to 7 ms after the switching-off).
BEFORE_MS, AFTER_MS = 5.0, 7.0
#: A window stands up to this far from where the proposal would put it, so that its place tells nothing (our choice).
JITTER_MS = 1.0
#: How far the window of a repeat is moved at least and at most (our choice: the firing stays inside).
SHIFT_MS = (0.4, 1.2)
#: A repeat comes at least this share of the list after its first presentation (our choice).
LEAST_GAP = 0.35


@dataclass(frozen=True)
class LabelTask:
    """One showing of one firing, or of one capture (``channel`` empty).

    Attributes
    ----------
    token : str
        What the browser knows it by; says nothing of capture or time.
    capture, channel : str
    time_s : float
        Where the firing was proposed, seconds on the capture's axis; 0 for a whole capture.
    begin_s : float
        Begin of the window on the capture's axis.
    length_ms : float
        Length of the window.
    presentation : int
        0, or 1 for the repeat.
    flipped : bool
    shifted_s : float
        Begin of the window less that of the first presentation.
    firing : FiringTime or None
    """

    token: str
    capture: str
    channel: str = ""
    time_s: float = 0.0
    begin_s: float = 0.0
    length_ms: float = 0.0
    presentation: int = 0
    flipped: bool = False
    shifted_s: float = 0.0
    firing: FiringTime | None = None


def firing_tasks(
    times: Sequence[FiringTime], reader: str, seed: int, *, blind: bool, repeat_share: float
) -> list[LabelTask]:
    """Return the showings of firings in order.

    Blind: shuffled, windows moved at random, and a share of the firings a second time, flipped or shifted, well after
    the first. Otherwise in order of capture, channel and time, each once.

    Parameters
    ----------
    times : sequence of FiringTime
    reader : str
    seed : int
    blind : bool
    repeat_share : float
        0 to 1.

    Examples
    --------
    >>> times = [FiringTime("a.npz", "lead_1", 0.1 * k) for k in range(10)]
    >>> tasks = firing_tasks(times, "r01", 4, blind=True, repeat_share=1.0)
    >>> len(tasks), sum(task.presentation for task in tasks)
    (20, 10)
    """
    if not blind:
        return [_task(one, reader, seed, 0, one.time_s - 1e-3 * BEFORE_MS, False, 0.0) for one in times]
    ordered: list[tuple[float, LabelTask]] = []
    for one in times:
        # Drawn by firing, so that another label or proposal changes nothing for the rest.
        generator = _generator(f"{seed}|{reader}|{one.capture}|{one.channel}|{one.time_s:.6f}")
        at, later, jitter, twice, flip = (float(draw) for draw in generator.random(5))
        shift_s = 1e-3 * float(generator.uniform(*SHIFT_MS) * generator.choice([-1.0, 1.0]))
        begin_s = one.time_s - 1e-3 * (BEFORE_MS + (2.0 * jitter - 1.0) * JITTER_MS)
        ordered.append((at, _task(one, reader, seed, 0, begin_s, False, 0.0)))
        if twice < repeat_share:
            flipped = flip < 0.5
            shift_s = 0.0 if flipped else shift_s
            place = at + LEAST_GAP + later * (1.0 - LEAST_GAP)
            ordered.append((place, _task(one, reader, seed, 1, begin_s + shift_s, flipped, shift_s)))
    return [task for _, task in sorted(ordered, key=lambda pair: pair[0])]


def capture_tasks(captures: Sequence[str], reader: str, seed: int, *, blind: bool) -> list[LabelTask]:
    """Return whole captures in order: shuffled when blind, as in the manifest otherwise."""
    tasks = [LabelTask(_token(seed, reader, name, "", 0.0, 0), name) for name in captures]
    if blind:
        return sorted(tasks, key=lambda task: _generator(f"{seed}|{reader}|{task.capture}").random())
    return tasks


def _task(
    one: FiringTime, reader: str, seed: int, presentation: int, begin_s: float, flipped: bool, shifted_s: float
) -> LabelTask:
    token = _token(seed, reader, one.capture, one.channel, one.time_s, presentation)
    return LabelTask(token, one.capture, one.channel, one.time_s, begin_s, BEFORE_MS + AFTER_MS, presentation, flipped,
                     shifted_s, one)  # fmt: skip


def _generator(text: str) -> np.random.Generator:
    return np.random.default_rng(list(hashlib.sha256(text.encode()).digest()[:16]))


def _token(seed: int, reader: str, capture: str, channel: str, time_s: float, presentation: int) -> str:
    text = f"{seed}|{reader}|{capture}|{channel}|{time_s:.6f}|{presentation}"
    return hashlib.sha256(text.encode()).hexdigest()[:16]
