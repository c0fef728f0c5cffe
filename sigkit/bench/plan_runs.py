"""What ``sigkit bench run`` is going to do: which algorithm in which protocol, and how long that may take."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from sigkit.bench.protocol import Protocol, protocol_names, read_protocol
from sigkit.bench.run_protocol import competitors, state_of
from sigkit.bench.time_left import TimeLeft, expected_seconds
from sigkit.errors import SettingsError


@dataclass(eq=False)
class Plan:
    """Runs in order.

    Attributes
    ----------
    protocols : dict of str to Protocol
        By name.
    runs : list of (str, str)
        Protocol and algorithm.
    expected_s : list of float
        Of each run, see `sigkit.bench.time_left.expected_seconds`.
    left_out : list of str
        Who cannot run, and why.
    """

    protocols: dict[str, Protocol] = field(default_factory=dict)
    runs: list[tuple[str, str]] = field(default_factory=list)
    expected_s: list[float] = field(default_factory=list)
    left_out: list[str] = field(default_factory=list)

    def time_left(self, workers: int) -> TimeLeft:
        """Return an estimate that follows the runs."""
        return TimeLeft(self.expected_s, workers)

    def words(self, workers: int) -> str:
        """Return what is going to happen in one line."""
        left = self.time_left(workers)
        return f"{len(self.runs)} runs, {left.kept} of them kept from before: {left.words()}, simulating not counted"


def plan_runs(protocols: Sequence[str], algorithm: str, out: Path) -> Plan:
    """Plan the runs of protocols.

    Parameters
    ----------
    protocols : sequence of str
        Names or ``.toml`` files; every protocol that comes with sigkit when empty.
    algorithm : str
        Only this one, ``""`` for all.
    out : Path
        Folder of the results, where earlier ones tell how long a run takes.

    Raises
    ------
    SettingsError
        When a protocol is none, two are called alike, or the algorithm does not compete or cannot run.
    """
    plan = Plan()
    for called in protocols or protocol_names():
        protocol = read_protocol(called)
        before = plan.protocols.setdefault(protocol.name, protocol)
        if before.content_hash != protocol.content_hash:
            raise SettingsError(f"{before.called} and {protocol.called} are both called {protocol.name!r}; rename one")
        if before is not protocol:
            continue
        there = {one.name: one for one in competitors(protocol)}
        if algorithm and algorithm not in there:
            raise SettingsError(f"{protocol.name} has no competitor {algorithm!r}; known: {', '.join(there)}")
        if algorithm and there[algorithm].problem:
            raise SettingsError(f"{protocol.name}: {algorithm} cannot run: {there[algorithm].problem}")
        state = state_of(protocol)
        for one in [there[algorithm]] if algorithm else there.values():
            if one.problem:
                plan.left_out.append(f"{protocol.name}: {one.name} left out: {one.problem}")
                continue
            plan.runs.append((protocol.name, one.name))
            plan.expected_s.append(expected_seconds(protocol, one.name, out, state))
    return plan
