"""How long the runs that remain will take, by what earlier runs of the same took and by the pace of this one."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from sigkit.bench.protocol import Protocol
from sigkit.bench.run_protocol import read_result, run_paths


def expected_seconds(protocol: Protocol, algorithm: str, runs: Path, state: Mapping[str, Any]) -> float:
    """Return how long a run will take, by its earlier result.

    Parameters
    ----------
    protocol : Protocol
    algorithm : str
    runs : Path
        Folder of the results.
    state : mapping
        `sigkit.bench.run_protocol.state_of` the protocol.

    Returns
    -------
    float
        Seconds; 0 where the earlier result will be kept, NaN where there is none.
    """
    path, outcomes, _ = run_paths(runs, protocol, algorithm)
    told = read_result(path)
    if not told:
        return math.nan
    if outcomes.is_file() and not state["uncommitted_changes"] and all(told.get(k) == v for k, v in state.items()):
        return 0.0
    try:
        return float(told["time"].get("total_s") or _by_parts(told, protocol))
    except (AttributeError, KeyError, TypeError, ValueError):
        return math.nan


def _by_parts(told: Mapping[str, Any], protocol: Protocol) -> float:
    """Return the time of a run whose result tells only how long the last answer took."""
    tried = len(told["choice"]["tried"])
    engines = protocol.data.get("engines", {"develop": 1, "test": 1})
    share = engines["develop"] / engines["test"]
    return float(told["time"]["learn_s"]) * (1 + tried) + float(told["time"]["judge_s"]) * (1 + share * tried)


class TimeLeft:
    """Estimate of what remains.

    Parameters
    ----------
    expected : sequence of float
        Of every run, seconds; 0 for one that is kept, NaN where nothing is known.
    workers : int
        Runs at a time, 1 or more.

    Examples
    --------
    >>> left = TimeLeft([60.0, 60.0, math.nan], workers=1)
    >>> left.words()
    'about 3 min left'
    >>> left.done(0, 120.0)
    >>> left.words()
    'about 4 min left'
    """

    def __init__(self, expected: Sequence[float], workers: int) -> None:
        self._expected = list(expected)
        self._workers = max(workers, 1)
        self._spent: dict[int, float] = {}

    @property
    def kept(self) -> int:
        """Runs that are kept from before."""
        return sum(one == 0.0 for one in self._expected)

    def done(self, number: int, spent_s: float) -> None:
        """Say that a run has ended after so many seconds."""
        self._spent[number] = spent_s

    def seconds(self) -> float:
        """Return the time left, seconds; NaN while nothing at all is known."""
        waiting = [one for number, one in enumerate(self._expected) if number not in self._spent and one != 0.0]
        if not waiting:
            return 0.0
        both = [(self._expected[number], spent) for number, spent in self._spent.items() if self._expected[number] > 0]
        pace = sum(spent for _, spent in both) / sum(known for known, _ in both) if both else 1.0
        known = [one * pace for one in self._expected if one > 0]
        # A run without a past takes as long as the others do.
        known += [spent for number, spent in self._spent.items() if math.isnan(self._expected[number])]
        usual = sum(known) / len(known) if known else math.nan
        total = sum(usual if math.isnan(one) else one * pace for one in waiting)
        return total / min(self._workers, len(waiting))

    def words(self) -> str:
        """Return the time left in words."""
        seconds = self.seconds()
        if seconds == 0.0:
            return "nothing left"
        return "no past run tells how long" if math.isnan(seconds) else f"about {duration(seconds)} left"


def duration(seconds: float) -> str:
    """Return a duration as coarse as an estimate deserves.

    Examples
    --------
    >>> duration(42.3), duration(200.0), duration(9000.0)
    ('42 s', '3 min', '2.5 h')
    """
    if seconds < 99.5:
        return f"{max(round(seconds), 1)} s"
    return f"{round(seconds / 60)} min" if seconds < 5970 else f"{seconds / 3600:.1f} h"
