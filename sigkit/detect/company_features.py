"""How a swing stands in the company of its lead's other swings and of the other channels, in numbers."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from sigkit.detect.choose_firings import choose_firings, likeliest_apart
from sigkit.detect.judged_channel import JudgedChannel

#: Swings of several channels at one instant lie this near, seconds (our choice).
SAME_INSTANT_S = 0.25e-3
#: Swings of one discharge lie within this, seconds (our choice: `choose_firings` keeps one of them).
DISCHARGE_S = 6e-3
#: Log-odds from which a swing serves as an example of its lead (our choice).
SURE = 1.0
#: Fewest examples of a lead that give a rhythm, and the shortest period, seconds (our choice: 6700/min, shared coil).
FEWEST = 3
SHORTEST_S = 9e-3
#: More examples, and a clearer vote for one direction, say nothing further (our choice: the length of a record must not
#: tell a firing from other periodic things).
MOST_EXAMPLES = 4
MOST_VOTE = 10.0
#: Examples a swing is compared with, spread over the record, and swings compared at a time (our choice: time and memory
#: grow with the length of a record, not with its square).
MOST_COMPARED = 256
AT_ONCE = 4096
#: Log-odds are clipped to this before they enter (our choice).
CLIP = 12.0
FEATURES = (
    "log_odds", "best", "best_other_way", "vote", "rival_near", "rival_near_other_way", "examples", "size_to_examples",
    "alike_to_mean", "alike_to_nearest", "rhythm_known", "off_rhythm", "off_half_rhythm", "spread_of_rhythm",
    "seen_elsewhere", "seen_other_way", "size_elsewhere", "usually_together", "channels_with_it", "before_ms",
    "after_ms", "alone",
)  # fmt: skip


def company_features(channels: Sequence[JudgedChannel]) -> list[NDArray[np.float64]]:
    """Describe every swing of every channel of a capture by its company.

    Parameters
    ----------
    channels : sequence of JudgedChannel

    Returns
    -------
    list of ndarray, shape (n, len(FEATURES))
        One a channel; finite.
    """
    examples = []
    for one in channels:
        rows, sign = choose_firings(one.time_s, one.direction, one.log_odds)
        examples.append((rows[one.log_odds[rows] > SURE], sign))
    return [_describe(number, channels, examples) for number in range(len(channels))]


def _describe(
    number: int, channels: Sequence[JudgedChannel], examples: list[tuple[NDArray[np.int64], int]]
) -> NDArray[np.float64]:
    own = channels[number]
    n = own.time_s.size
    if n == 0:
        return np.zeros((0, len(FEATURES)))
    odds = np.clip(own.log_odds, -CLIP, CLIP)
    result: dict[str, NDArray | float] = {**dict.fromkeys(FEATURES, 0.0), "log_odds": odds}
    up = own.direction > 0
    best = {sign: float(odds[own.direction == sign].max(initial=-CLIP)) for sign in (-1, 1)}
    vote = {
        sign: float(np.clip(odds[likeliest_apart(own.time_s, own.direction, odds, sign)], 0, 6).sum())
        for sign in (-1, 1)
    }
    result["best"] = np.where(up, best[1], best[-1])
    result["best_other_way"] = np.where(up, best[-1], best[1])
    result["vote"] = np.clip(np.where(up, 1, -1) * (vote[1] - vote[-1]), -MOST_VOTE, MOST_VOTE)
    result["rival_near"], result["rival_near_other_way"] = _rivals(own.time_s, own.direction, odds)
    rows, _ = examples[number]
    result |= _against_examples(own, rows)
    result |= _elsewhere(number, channels, examples)
    result["before_ms"] = np.clip((own.time_s - own.start_s) * 1e3, 0, 12)
    result["after_ms"] = np.clip((own.stop_s - own.time_s) * 1e3, 0, 12)
    result["alone"] = (odds >= odds.max()).astype(float)
    return np.column_stack([np.broadcast_to(np.asarray(result[name], dtype=float), (n,)) for name in FEATURES])


def _rivals(
    time_s: NDArray, direction: NDArray, odds: NDArray
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Best log-odds of another swing of the same discharge, of the same and of the other direction."""
    n = time_s.size
    first = np.searchsorted(time_s, time_s - DISCHARGE_S)
    last = np.searchsorted(time_s, time_s + DISCHARGE_S, side="right")
    same, other = np.full(n, -CLIP), np.full(n, -CLIP)
    for away in range(1, int((last - first).max())):
        for sign in (-1, 1):
            at = np.arange(n) + sign * away
            usable = (at >= first) & (at < last)
            at = np.clip(at, 0, n - 1)
            alike = direction[at] == direction
            np.maximum(same, np.where(usable & alike, odds[at], -CLIP), out=same)
            np.maximum(other, np.where(usable & ~alike, odds[at], -CLIP), out=other)
    return same, other


def _against_examples(own: JudgedChannel, rows: NDArray) -> dict[str, NDArray | float]:
    """Likeness to the lead's examples, and place in their rhythm; a swing is never its own example."""
    n = own.time_s.size
    member = np.zeros(n, dtype=bool)
    member[rows] = True
    count = rows.size - member
    result: dict[str, NDArray | float] = {"examples": np.log1p(np.minimum(count, MOST_EXAMPLES))}
    if rows.size == 0:
        return result | {"off_rhythm": 0.25, "off_half_rhythm": 0.125}
    shape = own.shape / np.maximum(np.linalg.norm(own.shape, axis=1, keepdims=True), 1e-9)
    known = count > 0
    mean, nearest = _likeness(shape, rows)
    result["alike_to_mean"], result["alike_to_nearest"] = np.where(known, mean, 0.0), np.where(known, nearest, 0.0)
    usual = float(np.median(np.log(np.maximum(own.size[rows], 1e-300))))
    result["size_to_examples"] = np.where(
        known, np.clip(np.log(np.maximum(own.size, 1e-300)) - usual, -6, 6), 0.0
    )
    times = own.time_s[rows]
    gaps = np.diff(times)
    gaps = gaps[gaps > SHORTEST_S]
    if gaps.size < FEWEST - 1:
        return result | {"off_rhythm": 0.25, "off_half_rhythm": 0.125}
    start = float(np.quantile(gaps, 0.25))
    period = float(np.median(gaps / np.maximum(np.round(gaps / start), 1.0)))
    # The nearest two examples on either side, itself left out, carry the rhythm to the swing.
    place = np.searchsorted(times, own.time_s)
    off, half = np.full(n, 0.5), np.full(n, 0.25)
    for at in (place - 2, place - 1, place, place + 1):
        usable = (at >= 0) & (at < times.size)
        away = np.abs(own.time_s - times[np.clip(at, 0, times.size - 1)]) / period
        usable &= away > 0.2
        off = np.where(usable, np.minimum(off, np.abs(away - np.round(away))), off)
        half = np.where(usable, np.minimum(half, np.abs(away - 0.5 * np.round(2 * away))), half)
    result["rhythm_known"] = 1.0
    result["off_rhythm"], result["off_half_rhythm"] = off, half
    residue = gaps / period
    result["spread_of_rhythm"] = float(np.clip(np.median(np.abs(residue - np.round(residue))), 0, 0.5))
    return result


def _likeness(shape: NDArray, rows: NDArray) -> tuple[NDArray, NDArray]:
    """Mean and largest likeness to the examples, itself left out."""
    chosen = rows if rows.size <= MOST_COMPARED else rows[np.linspace(0, rows.size - 1, MOST_COMPARED).astype(np.int64)]
    mean, nearest = np.zeros(shape.shape[0]), np.zeros(shape.shape[0])
    for begin in range(0, shape.shape[0], AT_ONCE):
        alike = shape[begin : begin + AT_ONCE] @ shape[chosen].T
        own = np.flatnonzero((chosen >= begin) & (chosen < begin + AT_ONCE))
        itself = np.zeros(alike.shape[0], dtype=np.int64)
        itself[chosen[own] - begin] = 1
        alike[chosen[own] - begin, own] = 0.0
        mean[begin : begin + AT_ONCE] = alike.sum(axis=1) / np.maximum(chosen.size - itself, 1)
        alike[chosen[own] - begin, own] = -1.0
        nearest[begin : begin + AT_ONCE] = alike.max(axis=1)
    return mean, nearest


def _elsewhere(
    number: int, channels: Sequence[JudgedChannel], examples: list[tuple[NDArray[np.int64], int]]
) -> dict[str, NDArray]:
    """What the other channels show at the same instants, and whether they usually fire together with this one."""
    own = channels[number]
    n = own.time_s.size
    result = {
        "seen_elsewhere": np.full(n, -CLIP), "seen_other_way": np.zeros(n), "size_elsewhere": np.zeros(n),
        "usually_together": np.zeros(n), "channels_with_it": np.zeros(n),
    }  # fmt: skip
    mine = examples[number][0]
    for other, channel in enumerate(channels):
        if other == number:
            continue
        rows, sign = examples[other]
        if rows.size == 0:
            continue
        at, away = _nearest(channel.time_s[rows], own.time_s)
        hit = away <= SAME_INSTANT_S
        result["channels_with_it"] += hit
        odds = np.where(hit, np.clip(channel.log_odds[rows[at]], -CLIP, CLIP), -CLIP)
        usual = float(np.median(np.log(np.maximum(channel.size[rows], 1e-300))))
        size = np.log(np.maximum(channel.size[rows[at]], 1e-300)) - usual
        # Own examples other than the swing itself that fall together with the other channel's.
        together = np.zeros(mine.size, dtype=bool)
        if mine.size:
            together = _nearest(channel.time_s[rows], own.time_s[mine])[1] <= SAME_INSTANT_S
        itself = np.zeros(n, dtype=np.int64)
        itself[mine] = together
        belongs = np.zeros(n, dtype=np.int64)
        belongs[mine] = 1
        rest, joint = mine.size - belongs, together.sum() - itself
        share = np.where(rest > 0, 2.0 * joint / np.maximum(rest, 1) - 1.0, 0.0)
        better = hit & (odds > result["seen_elsewhere"])
        for name, values in (
            ("seen_elsewhere", odds), ("seen_other_way", np.where(own.direction == sign, -1.0, 1.0)),
            ("size_elsewhere", np.clip(size, -6, 6)), ("usually_together", share),
        ):  # fmt: skip
            result[name] = np.where(better, values, result[name])
    return result


def _nearest(times_s: NDArray, at_s: NDArray) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    right = np.clip(np.searchsorted(times_s, at_s), 0, times_s.size - 1)
    left = np.maximum(right - 1, 0)
    best = np.where(np.abs(times_s[left] - at_s) <= np.abs(times_s[right] - at_s), left, right)
    return best, np.abs(times_s[best] - at_s)
