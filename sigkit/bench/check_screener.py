"""Checks of a screener."""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache, partial
from typing import Any

import numpy as np

from sigkit.bench.check_captures import other_captures, sound_capture
from sigkit.bench.check_plugin import Check, declared_tunable, make
from sigkit.bench.check_role_judge import changed_column, measured, without_numbers
from sigkit.bench.judge_tables import wrong_scores
from sigkit.context.apply_context import apply_context
from sigkit.context.capture_info import CaptureInfo
from sigkit.measure.measure_capture import measure_capture
from sigkit.types.capture import Capture
from sigkit.types.firing_table import Table, concatenate

#: Captures of the drawn archive (our choice).
CAPTURES = 12


def screener_checks(kind: Any) -> Iterator[Check]:
    """Yield the checks of a screener's class."""
    yield "contract: finite scores of the captures there are", lambda: _answers(kind, *archive())
    yield "contract: the firings stay as they are", lambda: _untouched(kind)
    yield "determinism: the same answer twice", lambda: _same(kind)
    yield "edge case: no firing", lambda: _answers(kind, {n: c[:0] for n, c in archive()[0].items()}, archive()[1])
    yield "edge case: one capture", lambda: _answers(kind, *_first())
    yield "edge case: every number is missing", lambda: _answers(kind, without_numbers(archive()[0]), archive()[1])
    for words, capture in other_captures().items():
        yield f"edge case: {words}", partial(_of_capture, kind, capture)
    yield from declared_tunable(kind)


@lru_cache(maxsize=1)
def archive() -> tuple[Table, list[Capture]]:
    """Return an archive of the kit's sound capture under several names, levels and burn times varied a little."""
    rng = np.random.default_rng(20_261_128)
    tables, captures = [], []
    for number in range(CAPTURES):
        capture = sound_capture().with_(name=f"c{number}", recording=f"c{number}", engine=f"engine-{number}")
        table = {name: column.copy() for name, column in measured().items()}
        table["capture"][:], table["engine"][:] = capture.name, capture.engine
        for name in ("burn_time_ms", "firing_level", "burn_level"):
            table[name] *= np.exp(rng.normal(0.0, 0.1, len(table[name])))
        tables.append(apply_context(table, [CaptureInfo.of(capture)]))
        captures.append(capture)
    return concatenate(tables), captures


def _in_context(capture: Capture) -> Table:
    return apply_context(measure_capture(capture).table, [CaptureInfo.of(capture)])


def _first() -> tuple[Table, list[Capture]]:
    table, captures = archive()
    own = table["capture"] == captures[0].name
    return {name: column[own] for name, column in table.items()}, captures[:1]


def _asked(kind: Any, table: Table, captures: list[Capture]) -> dict[str, float]:
    return dict(make(kind).score_captures({n: c.copy() for n, c in table.items()}, captures))


def _answers(kind: Any, table: Table, captures: list[Capture]) -> str:
    return wrong_scores(_asked(kind, table, captures), captures)


def _of_capture(kind: Any, capture: Capture) -> str:
    return _answers(kind, _in_context(capture), [capture])


def _untouched(kind: Any) -> str:
    table, captures = archive()
    given = {name: column.copy() for name, column in table.items()}
    make(kind).score_captures(given, captures)
    return changed_column(given, table)


def _same(kind: Any) -> str:
    first, second = _asked(kind, *archive()), _asked(kind, *archive())
    names = sorted(first)
    alike = names == sorted(second) and np.allclose(
        [first[one] for one in names], [second[one] for one in names], equal_nan=True
    )
    return "" if alike else "two calls differ"
