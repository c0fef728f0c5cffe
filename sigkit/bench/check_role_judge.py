"""Checks of a role judge."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import lru_cache, partial
from typing import Any

import numpy as np

from sigkit.bench.check_captures import other_captures, sound_capture
from sigkit.bench.check_plugin import Check, declared_tunable, make
from sigkit.bench.judge_tables import wrong_roles
from sigkit.measure.measure_capture import measure_capture
from sigkit.types.capture import Capture
from sigkit.types.firing_table import Table


def role_judge_checks(kind: Any) -> Iterator[Check]:
    """Yield the checks of a role judge's class."""
    yield "contract: one known role a row", lambda: _answers(kind, lambda table: table)
    yield "contract: a shared coil, both ends recorded", lambda: wrong_roles(_asked(kind, *shared_pair()), _rows())
    yield "contract: the measurements stay as they are", lambda: _untouched(kind)
    yield "determinism: the same answer twice", lambda: _same(kind)
    yield "edge case: no firing", lambda: _answers(kind, lambda table: {n: c[:0] for n, c in table.items()})
    yield "edge case: one firing", lambda: _answers(kind, lambda table: {n: c[:1] for n, c in table.items()})
    yield "edge case: every number is missing", lambda: _answers(kind, without_numbers)
    for words, capture in other_captures().items():
        yield f"edge case: {words}", partial(_of_capture, kind, capture)
    yield from declared_tunable(kind)


@lru_cache(maxsize=1)
def measured() -> Table:
    """Return the measured firings of the kit's sound capture."""
    return measure_capture(sound_capture()).table


def shared_pair() -> tuple[Table, Capture]:
    """Return the sound capture as if its two leads were the ends of one coil, every second firing weaker."""
    capture = sound_capture().with_(ignition_type="shared_coil", shared_coil_pairs=(("1", "2"),))
    table = {name: column.copy() for name, column in measured().items()}
    weak = np.arange(_rows()) % 2 == 0
    for name in ("peak_level", "firing_level", "burn_level", "peak_voltage_V", "firing_voltage_V", "burn_voltage_V"):
        table[name][weak] *= 0.3
    return table, capture


def without_numbers(table: Table) -> Table:
    """Return the table with every measured number missing, times left."""
    return {
        name: np.full_like(column, np.nan) if column.dtype.kind == "f" and name != "time_s" else column
        for name, column in table.items()
    }


def _rows() -> int:
    return len(measured()["capture"])


def _asked(kind: Any, table: Table, capture: Capture) -> Any:
    return np.asarray(make(kind).judge_roles({n: c.copy() for n, c in table.items()}, [capture]), dtype=object)


def _answers(kind: Any, change: Callable[[Table], Table]) -> str:
    table = change(measured())
    return wrong_roles(_asked(kind, table, sound_capture()), len(table["capture"]))


def _of_capture(kind: Any, capture: Capture) -> str:
    table = measure_capture(capture).table
    return wrong_roles(_asked(kind, table, capture), len(table["capture"]))


def _untouched(kind: Any) -> str:
    table, capture = shared_pair()
    given = {name: column.copy() for name, column in table.items()}
    make(kind).judge_roles(given, [capture])
    return changed_column(given, table)


def changed_column(given: Table, table: Table) -> str:
    """Say which column of a table that a plug-in was given is no longer what it was, ``""`` when none is."""
    for name, column in table.items():
        now = given.get(name)
        if now is None or now.shape != column.shape or not np.array_equal(now, column, column.dtype.kind == "f"):
            return f"it changes the column {name!r} that it was given"
    return ""


def _same(kind: Any) -> str:
    table, capture = shared_pair()
    first, second = _asked(kind, table, capture), _asked(kind, table, capture)
    return "" if np.array_equal(first, second) else "two calls differ"
