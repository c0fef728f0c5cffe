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
from sigkit.context.role_evidence import block_likelihood
from sigkit.context.role_posterior import (
    CONSECUTIVE_SHARE,
    NUMBERED_SHARE,
    alternation_evidence,
    log_role_prior,
    role_posterior,
    weigh_assignments,
)
from sigkit.types.firing_table import Table

#: A role is named from this probability on (our choice: on 500 simulated engines 99 % of the named are right and
#: 1.1 % of the firings found stay unknown).
LEAST_PROBABILITY = 0.8
#: One coil counts for at most so much, in log odds, when the coils of an engine are decided together (our choice).
MOST_LOG_ODDS = 8.0
#: A synchronising pulse marks the ignition of this lead (common practice, no source), by so many seconds at most.
MARKED_LEAD, MARK_S = "1", 1.5e-3
#: Events judged together (our choice: enough to be sure, few enough to be quick).
BLOCK = 16


@dataclass(frozen=True, eq=False)
class _Block:
    """Successive events of a coil: what their revolutions or sweeps are numbered, and how likely the evidence is."""

    first: int
    last: int
    number: NDArray[np.int64]
    signs: NDArray[np.int8]
    log_likelihood: NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class _Coil:
    """What one recording shows of one coil: rows of its two ends by event (-1 for none), and what they say."""

    lead: str
    rows: NDArray[np.int64]  # shape (2, events)
    time_s: NDArray[np.float64]
    continuous: bool
    sample_rate_Hz: float
    blocks: list[_Block]

    def alternation(self) -> float:
        """Return the log evidence for roles taking turns, one coil counting for a limited amount."""
        told = sum(alternation_evidence(one.signs, one.log_likelihood, one.number) for one in self.blocks)
        return float(np.clip(told, -MOST_LOG_ODDS, MOST_LOG_ODDS))

    def power(self, alternating: float) -> NDArray[np.float64]:
        """Return the probability that the first end is at power."""
        parts = [
            role_posterior(one.signs, one.log_likelihood, log_role_prior(one.signs, one.number, alternating))
            for one in self.blocks
        ]
        return np.concatenate(parts)


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
    sweep = {info.name: info.sweep for info in captures}
    secondary = np.isin(table["channel_kind"], ("secondary_voltage", "unknown"))
    evidence = _evidence(table) | {"marked": _marked(table, lead, captures)}
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
                found.setdefault(one, []).append(_judge_coil(name, ends, table, evidence, sweep))
    order = {info.recording: info.firing_order for info in captures}
    alternating = _alternating([coil for coils in found.values() for coil in coils])
    for one, coils in found.items():
        together = _decide_together(coils, order.get(one, ()), table)
        for coil, chance in zip(coils, together or [coil.power(alternating[coil]) for coil in coils], strict=True):
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


def _marked(table: Table, lead: NDArray, captures: Sequence[CaptureInfo]) -> NDArray[np.float64]:
    """Tell which firings of the marked lead fall on a synchronising pulse; NaN for other leads, and without pulses."""
    marked = np.full(lead.size, np.nan)
    pulsed = {info.recording for info in captures if info.pulses_s}
    for info in captures:
        if info.recording in pulsed:
            rows = np.flatnonzero((lead == MARKED_LEAD) & (table["capture"] == info.name))
            pulses = np.array(info.pulses_s)
            apart = np.abs(table["time_s"][rows][:, None] - pulses[None, :])
            marked[rows] = (apart < MARK_S).any(axis=1)
    return marked


def _judge_coil(
    name: str, ends: list[NDArray], table: Table, evidence: dict[str, NDArray], sweep: dict[str, int]
) -> _Coil:
    """Judge one coil in one recording by itself."""
    at = [{(str(table["capture"][r]), int(table["event"][r])): int(r) for r in rows} for rows in ends]
    seen = {key: float(table["time_s"][row]) for rows in reversed(at) for key, row in rows.items()}
    keys = sorted(seen, key=lambda key: (sweep.get(key[0], 0), key[0], seen[key]))
    rows = np.array([[end.get(key, -1) for key in keys] for end in at], dtype=np.int64)
    time_s = np.array([seen[key] for key in keys])
    continuous = len({capture for capture, _ in keys}) == 1
    number = period_numbers(time_s) if continuous else _sweep_numbers([sweep.get(key[0], 0) for key in keys])
    blocks = []
    for block in np.array_split(np.arange(len(keys)), -(-len(keys) // BLOCK)):
        first, last = int(block[0]), int(block[-1]) + 1
        own, other = (
            {kind: np.where(end >= 0, values[end], np.nan) for kind, values in evidence.items()}
            for end in rows[:, first:last]
        )
        likelihood, sorters = block_likelihood(own, other)
        usual = NUMBERED_SHARE if continuous else CONSECUTIVE_SHARE
        blocks.append(
            _Block(first, last, number[first:last],
                   *weigh_assignments(likelihood, sorters, number[first:last], usual))
        )  # fmt: skip
    rate_Hz = float(table["sample_rate_Hz"][rows.max()])
    return _Coil(name, rows, time_s, continuous, rate_Hz, blocks)


def _sweep_numbers(sweeps: list[int]) -> NDArray[np.int64]:
    """Return the sweeps' numbers; events in order where sweeps have none, or where one shows several events."""
    apart = len(set(sweeps)) == len(sweeps)
    return np.array(sweeps if apart else range(len(sweeps)), dtype=np.int64)


def _alternating(coils: list[_Coil]) -> dict[_Coil, float]:
    """Return for each coil the chance that its roles take turns, by what the recorder's other coils tell."""
    told = {coil: coil.alternation() for coil in coils if not coil.continuous}
    start = np.log(CONSECUTIVE_SHARE / (1.0 - CONSECUTIVE_SHARE))
    chance = dict.fromkeys(coils, NUMBERED_SHARE)
    for coil in told:
        others = sum(
            value for one, value in told.items() if one is not coil and one.sample_rate_Hz == coil.sample_rate_Hz
        )
        chance[coil] = float(1.0 / (1.0 + np.exp(-(start + others))))
    return chance


def _parity_odds(block: _Block) -> float:
    """Return the log odds that even revolutions are at power at the first end, roles taking turns without a slip."""
    parity = np.where(block.number % 2 == 0, 1, -1).astype(np.int8)
    even, odd = (block.log_likelihood[np.all(block.signs == one, axis=1)] for one in (parity, -parity))
    return float(even[0] - odd[0])


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
        for block in coil.blocks:
            same = (number + own)[block.first : block.last] % 2 == 0
            if same.all() or not same.any():
                odds = _parity_odds(block)
                total += float(np.clip(odds if same.all() else -odds, -MOST_LOG_ODDS, MOST_LOG_ODDS))
    sure = 1.0 / (1.0 + np.exp(-abs(total)))
    if sure < LEAST_PROBABILITY:
        return None
    return [np.where((halves[coil.lead] % 2 == 0) == (total > 0), sure, 1.0 - sure) for coil in coils]
