"""Checks of a locator."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from typing import Any

import numpy as np

from sigkit import registry
from sigkit.bench.check_captures import SHIFT, changed, odd_captures, other_captures, shifted, sound_capture
from sigkit.bench.check_plugin import Check, declared_checks, make, tried_settings
from sigkit.types.capture import Capture
from sigkit.types.channel import Channel
from sigkit.types.firings import Firings
from sigkit.types.instants import INSTANT_NAMES, SPARK_STATES, Instants

#: An instant may move by this much under a change that must not matter, samples, for this share of the firings;
#: single precision and a search on a grid are thereby forgiven (our choice).
REACH, SHARE = 1.0, 0.9


def locator_checks(kind: Any) -> Iterator[Check]:
    """Yield the checks of a locator's class."""
    yield "contract: one row a firing, instants in order", lambda: _contract(kind)
    yield "samples are left as they are", lambda: _untouched(kind)
    yield "determinism: the same answer twice, and from a new object", lambda: _same(kind)
    yield "edge case: no firing", lambda: _wrong(make(kind), *_none())
    for words, capture in odd_captures().items():
        if len(capture.channels[0]):
            yield f"edge case: a firing in {words}", partial(_odd, kind, capture.channels[0])
    for words, capture in other_captures().items():
        yield f"edge case: {words}", partial(_other, kind, capture)
    yield "declared: states_uncertainty", lambda: _uncertainty(kind)
    yield from declared_checks(kind, _invariant)
    for settings in tried_settings(kind):
        yield f"declared setting {settings}", partial(_contract, kind, **settings)


def wrong_instants(firings: Firings, found: Any) -> str:
    """Return what is wrong with a locator's answer, ``""`` when nothing is."""
    n = len(firings)
    if not isinstance(found, Instants) or found.channel != firings.channel:
        return "locate must return Instants that carry the channel's name"
    if np.shape(found.sparked) != (n,) or not np.isin(np.asarray(found.sparked).astype(str), SPARK_STATES).all():
        return f"sparked must hold {n} of {', '.join(SPARK_STATES)}"
    for name in INSTANT_NAMES:
        instant = getattr(found, name)
        for part in ("position", "u", "lo", "hi", "flag"):
            if np.shape(getattr(instant, part)) != (n,):
                return f"{name}.{part} has shape {np.shape(getattr(instant, part))}; expected ({n},)"
        known = np.isfinite(instant.position)
        if not np.array_equal(known, np.asarray(instant.flag).astype(str) == "ok"):
            return f"{name}: the flag must be 'ok' exactly where there is a position"
        low, high = np.asarray(instant.lo)[known], np.asarray(instant.hi)[known]
        at = np.asarray(instant.position)[known]
        if ((low > at) | (high < at)).any():
            return f"{name}: an interval does not hold its position"
    with np.errstate(invalid="ignore"):
        if (found.burn_end.position < found.breakdown.position).any():
            return "a burn ends before its breakdown"
    if ((found.intervals.firing < 0) | (found.intervals.firing >= max(n, 1))).any():
        return "an interval belongs to no firing"
    return ""


def _given(capture: Capture) -> list[Firings]:
    return registry.load("detectors", "block_activity")().detect(capture)


def _none() -> tuple[Channel, Firings]:
    channel = sound_capture().channels[0]
    nothing = np.zeros(0, dtype=np.int64)
    return channel, Firings(channel.name, nothing, nothing, nothing, nothing.astype(np.int8), nothing)


def _one(channel: Channel) -> Firings:
    at, first, end = (np.array([place], dtype=np.int64) for place in (len(channel) // 2, 0, len(channel)))
    return Firings(channel.name, at, first, end, np.ones(1, np.int8), np.zeros(1, np.int64))


def _odd(kind: Any, channel: Channel) -> str:
    found = make(kind).locate(channel, _one(channel))
    wrong = wrong_instants(_one(channel), found)
    if not wrong and np.unique(channel.samples).size == 1 and np.isfinite(found.breakdown.position).any():
        return "a breakdown is stated on a record that never changes"
    return wrong


def _other(kind: Any, capture: Capture) -> str:
    made = make(kind)
    for channel, firings in zip(capture.channels, _given(sound_capture()), strict=True):
        wrong = _wrong(made, channel, firings)
        if wrong:
            return f"channel {channel.name}: {wrong}"
    return ""


def _wrong(made: Any, channel: Channel, firings: Firings) -> str:
    return wrong_instants(firings, made.locate(channel, firings))


def _contract(kind: Any, **settings: Any) -> str:
    made = make(kind, **settings)
    if not isinstance(getattr(made, "name", None), str):
        return "the attribute name is missing"
    capture = sound_capture()
    for channel, firings in zip(capture.channels, _given(capture), strict=True):
        wrong = _wrong(made, channel, firings)
        if wrong:
            return f"channel {channel.name}: {wrong}"
    return ""


def _untouched(kind: Any) -> str:
    capture = sound_capture()
    made = make(kind)
    for channel, firings in zip(capture.channels, _given(capture), strict=True):
        before = channel.samples.copy()
        made.locate(channel, firings)
        if not np.array_equal(before, channel.samples):
            return f"it changed the samples of {channel.name}"
    return ""


def _same(kind: Any) -> str:
    made, capture = make(kind), sound_capture()
    for channel, firings in zip(capture.channels, _given(capture), strict=True):
        first, second, other = (one.locate(channel, firings) for one in (made, made, make(kind)))
        for name in INSTANT_NAMES:
            for again in (second, other):
                if not np.array_equal(getattr(first, name).position, getattr(again, name).position, equal_nan=True):
                    return f"channel {channel.name}: {name} differs from call to call"
    return ""


def _uncertainty(kind: Any) -> str:
    made, capture = make(kind), sound_capture()
    states = getattr(made, "states_uncertainty", True)
    for channel, firings in zip(capture.channels, _given(capture), strict=True):
        found = made.locate(channel, firings)
        for name in INSTANT_NAMES:
            instant = getattr(found, name)
            known = np.isfinite(instant.position)
            stated = np.isfinite(np.asarray(instant.u)[known])
            if states and not stated.all():
                return f"{name}: a position without an uncertainty; declare states_uncertainty = False or give one"
            if not states and stated.any():
                return f"{name}: an uncertainty is stated although states_uncertainty is False"
    return ""


def _invariant(kind: Any, change: str) -> str:
    made, capture = make(kind), sound_capture()
    other = shifted(capture) if change == "shift" else changed(capture, change)
    moved = SHIFT if change == "shift" else 0
    sign = -1 if change == "inversion" else 1
    kept, asked = 0, 0
    for channel, new, firings in zip(capture.channels, other.channels, _given(capture), strict=True):
        # The same firings are handed over, moved with the record, so that only the locator is asked.
        given = Firings(firings.channel, firings.position - moved, np.maximum(firings.start - moved, 0),
                        firings.stop - moved, (firings.polarity * sign).astype(np.int8), firings.event)  # fmt: skip
        before, after = made.locate(channel, firings), made.locate(new, given)
        for name in ("breakdown", "burn_end"):
            a, b = getattr(before, name).position, getattr(after, name).position + moved
            asked += a.size
            with np.errstate(invalid="ignore"):
                kept += int(((np.isnan(a) & np.isnan(b)) | (np.abs(a - b) <= REACH)).sum())
    if asked and kept < SHARE * asked:
        return f"{asked - kept} of {asked} instants move by more than {REACH:g} sample, appear or vanish"
    return ""
