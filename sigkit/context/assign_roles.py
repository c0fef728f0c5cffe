"""Power or waste spark: the role of every firing of a shared coil, from all that its two ends show."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sigkit.context.capture_info import CaptureInfo
from sigkit.context.cycle_halves import cycle_halves
from sigkit.context.infer_shared import coil_partners
from sigkit.context.revolution_period import period_numbers
from sigkit.context.role_likelihood import flag_likelihood, level_grid, level_likelihood
from sigkit.context.role_posterior import role_posterior
from sigkit.types.firing_table import Table

#: A role is named from this probability on (our choice: on engines like those below 99 % of the named are right).
LEAST_PROBABILITY = 0.85
#: One coil counts for at most so much, in log odds, when the coils of an engine are decided together (our choice).
MOST_LOG_ODDS = 8.0
#: Events judged together (our choice: enough to be sure, few enough to be quick).
BLOCK = 16


@dataclass(frozen=True, eq=False)
class _Kind:
    """One kind of evidence: its two grids, how far its offset may lie off, and its weight.

    Numbers from 196 simulated shared-coil engines with their truth (our choice): a waste spark fires at 1 to 4 kV
    and a power spark at 5 to 15 kV (common practice, no source), but the recorder lessens the difference.
    """

    one_end: NDArray[np.float64]
    difference: NDArray[np.float64]
    wide_offset: float
    weight: float


_KINDS = {
    "peak": _Kind(level_grid((1.25, 0.6), (0.1, 0.9)), level_grid((2.5, 1.1), (0.16, 0.9)), 1.44, 1.0),
    "burn": _Kind(level_grid((0.34, 0.15), (0.055, 1.0)), level_grid((0.68, 0.3), (0.08, 1.0)), 0.9, 1.0),
    # The rise to breakdown, which the two ends share in part: half of its weight.
    "rise": _Kind(level_grid((0.8, 0.7), (0.2, 1.4)), level_grid((1.7, 1.3), (0.3, 1.4)), 1.8, 0.5),
}


@dataclass(frozen=True, eq=False)
class _Coil:
    """What one recording shows of one coil: rows of its two ends by event (-1 for none), and what they say."""

    lead: str
    rows: NDArray[np.int64]  # shape (2, events)
    time_s: NDArray[np.float64]
    continuous: bool
    power: NDArray[np.float64]  # probability that the first end is at power
    alternation: list[tuple[int, int, float]]  # begin, end, log odds that the block's first event is at power


def assign_roles(table: Table, lead: NDArray, captures: Sequence[CaptureInfo]) -> tuple[NDArray, NDArray]:
    """Return the role of every firing and its probability.

    Parameters
    ----------
    table : Table
        Rows of all captures of one engine.
    lead : ndarray of str, shape (n,)
        Lead of each row.
    captures : sequence of CaptureInfo

    Returns
    -------
    role : ndarray of str, shape (n,)
        ``power``, ``waste``, ``single``, or ``unknown`` where the likelier one is below `LEAST_PROBABILITY`.
    probability : ndarray of float64, shape (n,)
        Of the likelier role, 0.5 to 1; 1 on a coil of its own; NaN on channels that show no lead.
    """
    role = np.full(lead.size, "unknown", dtype=object)
    power = np.full(lead.size, np.nan)
    recording = {info.name: info.recording for info in captures}
    take = np.array([recording.get(str(name), str(name)) for name in table["capture"]], dtype=object)
    secondary = np.isin(table["channel_kind"], ("secondary_voltage", "unknown"))
    evidence = _evidence(table)
    found: dict[str, list[_Coil]] = {}
    done: set[str] = set()
    for name, partner in coil_partners(table, lead, captures).items():
        if partner is None:
            role[lead == name], power[lead == name] = "single", 1.0
        elif name not in done:
            done |= {name, partner}
            mine, others = (secondary & (lead == one) for one in (name, partner or name))
            for one in sorted({str(x) for x in take[mine | others]}):
                ends = [np.flatnonzero(mine & (take == one)), np.flatnonzero(others & (take == one))]
                ends[1] = ends[1] if partner else ends[1][:0]
                found.setdefault(one, []).append(_judge_coil(name, ends, table, evidence))
    order = {info.recording: info.firing_order for info in captures}
    for one, coils in found.items():
        together = _decide_together(coils, order.get(one, ()), table)
        for coil, chance in zip(coils, together or [coil.power for coil in coils], strict=True):
            for rows, own in zip(coil.rows, (chance, 1.0 - chance), strict=True):
                power[rows[rows >= 0]] = own[rows >= 0]
    shared = np.isfinite(power) & (role != "single")
    role[shared & (power >= LEAST_PROBABILITY)] = "power"
    role[shared & (power <= 1.0 - LEAST_PROBABILITY)] = "waste"
    return role, np.maximum(power, 1.0 - power)


def _evidence(table: Table) -> dict[str, NDArray[np.float64]]:
    """Return for each row what tells power from waste; NaN where missing."""
    with np.errstate(divide="ignore", invalid="ignore"):
        rise_s = np.maximum(table["breakdown_s"] - table["coil_off_s"], 0.0) + 0.5 / table["sample_rate_Hz"]
        found = {
            "peak": np.log(np.abs(table["peak_level"])), "burn": np.log(np.abs(table["burn_level"])),
            "rise": np.log(rise_s),
        }  # fmt: skip
    found = {name: np.where(np.isfinite(values), values, np.nan) for name, values in found.items()}
    found["clipped"] = np.array(["clipped" in str(flags) for flags in table["flags"]], dtype=float)
    return found


def _judge_coil(name: str, ends: list[NDArray], table: Table, evidence: dict[str, NDArray]) -> _Coil:
    """Judge one coil in one recording by itself."""
    at = [{(str(table["capture"][r]), int(table["event"][r])): int(r) for r in rows} for rows in ends]
    seen = {key: float(table["time_s"][row]) for rows in reversed(at) for key, row in rows.items()}
    keys = sorted(seen, key=lambda key: (key[0], seen[key]))
    rows = np.array([[end.get(key, -1) for key in keys] for end in at], dtype=np.int64)
    time_s = np.array([seen[key] for key in keys])
    continuous = len({capture for capture, _ in keys}) == 1
    number = period_numbers(time_s) if continuous else None
    power = np.full(len(keys), 0.5)
    alternation = []
    for block in np.array_split(np.arange(len(keys)), -(-len(keys) // BLOCK)):
        first, last = int(block[0]), int(block[-1]) + 1
        own, other = (
            {kind: np.where(end >= 0, values[end], np.nan) for kind, values in evidence.items()}
            for end in rows[:, first:last]
        )
        turn = None if number is None else number[first:last]
        power[first:last], odds = _judge_block(own, other, turn)
        alternation.append((first, last, odds))
    return _Coil(name, rows, time_s, continuous, power, alternation)


def _judge_block(
    own: dict[str, NDArray], other: dict[str, NDArray], number: NDArray | None
) -> tuple[NDArray[np.float64], float]:
    """Return the probability of power at the first end, and the log odds that even revolutions are at power."""
    series: list[tuple[float, NDArray, NDArray, float | None]] = []
    for name, kind in _KINDS.items():
        both = own[name] - other[name]
        compared = bool(np.isfinite(both).any())
        if compared:
            series.append((kind.weight, both, kind.difference, kind.wide_offset))
        # What one end shows alone counts half beside what the two show together.
        for values in (own[name], -other[name]):
            alone = np.where(np.isfinite(both), np.nan, values)
            if np.isfinite(alone).sum() > 1:
                series.append((kind.weight * (0.5 if compared else 1.0), alone, kind.one_end, None))

    def likelihood(signs: NDArray) -> NDArray:
        total = flag_likelihood(signs, own["clipped"]) + flag_likelihood(-signs, other["clipped"])
        for weight, values, grid, wide_offset in series:
            total = total + weight * level_likelihood(signs, values, grid, wide_offset)
        return total

    sorters = [values for _, values, _, _ in series] + [own["clipped"], -other["clipped"]]
    power, signs, weight = role_posterior(likelihood, sorters, number, own["peak"].size)
    if number is None:
        return power, 0.0
    parity = np.where(number % 2 == 0, 1, -1).astype(np.int8)
    even, odd = (weight[np.all(signs == one, axis=1)] for one in (parity, -parity))
    return power, float(even[0] - odd[0])


def _decide_together(coils: list[_Coil], firing_order: Sequence[str], table: Table) -> list[NDArray] | None:
    """Return probabilities by the firing order, all coils of a continuous recording on one clock; None if none."""
    one_record = len({str(table["capture"][row]) for coil in coils for row in coil.rows.ravel() if row >= 0}) == 1
    if len(coils) < 2 or not one_record or not all(coil.continuous for coil in coils):
        return None
    halves = cycle_halves({coil.lead: coil.time_s for coil in coils}, tuple(firing_order))
    if halves is None:
        return None
    total = 0.0
    for coil in coils:
        number, own = period_numbers(coil.time_s), halves[coil.lead]
        for first, last, odds in coil.alternation:
            same = (number[first:last] + own[first:last]) % 2 == 0
            if same.all() or not same.any():
                total += float(np.clip(odds if same.all() else -odds, -MOST_LOG_ODDS, MOST_LOG_ODDS))
    sure = 1.0 / (1.0 + np.exp(-abs(total)))
    if sure < LEAST_PROBABILITY:
        return None
    return [np.where((halves[coil.lead] % 2 == 0) == (total > 0), sure, 1.0 - sure) for coil in coils]
