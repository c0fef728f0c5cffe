"""Checks of a detector."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from typing import Any

import numpy as np

from sigkit.bench.check_captures import SHIFT, changed, odd_captures, other_captures, shifted, sound_capture
from sigkit.bench.check_plugin import Check, declared_checks, make, tried_settings
from sigkit.types.capture import Capture
from sigkit.types.firings import Firings

#: A position may move by this much (rounding) when gain, sign or offset change, samples; and when samples in front
#: are cut off, seconds, as a detector may look at whole blocks from the record's begin (our choices).
REACH, SHIFT_REACH_S = 1, 0.1e-3


def detector_checks(kind: Any) -> Iterator[Check]:
    """Yield the checks of a detector's class."""
    yield "contract: one answer a channel, in order, positions inside the record", lambda: _contract(kind)
    yield "samples are left as they are", lambda: _untouched(kind)
    yield "determinism: the same answer twice, and from a new object", lambda: _same(kind)
    for words, capture in odd_captures().items():
        yield f"edge case: {words}", partial(_odd, kind, capture)
    for words, capture in other_captures().items():
        yield f"edge case: {words}", partial(_other, kind, capture)
    yield from declared_checks(kind, _invariant)
    for settings in tried_settings(kind):
        yield f"declared setting {settings}", partial(_setting, kind, settings)


def wrong_firings(capture: Capture, found: Any) -> str:
    """Return what is wrong with a detector's answer, ``""`` when nothing is."""
    if not isinstance(found, list) or len(found) != len(capture.channels):
        return f"detect must return a list of {len(capture.channels)} Firings, one a channel"
    for channel, one in zip(capture.channels, found, strict=True):
        where = f"channel {channel.name}: "
        if not isinstance(one, Firings) or one.channel != channel.name:
            return where + "expected Firings that carry the channel's name"
        n = len(one)
        for name in ("position", "start", "stop", "polarity", "event"):
            column = np.asarray(getattr(one, name))
            if column.shape != (n,) or (n and column.dtype.kind not in "iu"):
                return where + f"{name} has shape {column.shape} of {column.dtype}; expected ({n},) of integers"
        if n and (np.diff(one.position) < 0).any():
            return where + "positions are not in time order"
        if n and (one.position.min() < 0 or one.position.max() >= len(channel)):
            return where + "a position lies outside the record"
        if n and ((one.start > one.position) | (one.stop < one.position) | (one.start < 0)).any():
            return where + "a window does not hold its firing, or begins before the record"
        if n and not np.isin(one.polarity, (-1, 0, 1)).all():
            return where + "polarity must be -1, 0 or 1"
    return ""


def _contract(kind: Any) -> str:
    made = make(kind)
    if not isinstance(getattr(made, "name", None), str):
        return "the attribute name is missing"
    found = made.detect(sound_capture())
    wrong = wrong_firings(sound_capture(), found)
    return wrong or ("" if sum(map(len, found)) else "no firing found on a quiet simulated engine with eight")


def _setting(kind: Any, settings: dict[str, Any]) -> str:
    return wrong_firings(sound_capture(), make(kind, **settings).detect(sound_capture()))


def _untouched(kind: Any) -> str:
    capture = sound_capture()
    before = [channel.samples.copy() for channel in capture.channels]
    make(kind).detect(capture)
    for channel, old in zip(capture.channels, before, strict=True):
        if not np.array_equal(channel.samples, old):
            return f"it changed the samples of {channel.name}"
    return ""


def _same(kind: Any) -> str:
    made = make(kind)
    first, second, other = (one.detect(sound_capture()) for one in (made, made, make(kind)))
    for name in ("position", "start", "stop", "polarity", "event"):
        for a, b, c in zip(first, second, other, strict=True):
            if any(not np.array_equal(getattr(a, name), getattr(again, name)) for again in (b, c)):
                return f"channel {a.channel}: {name} differs from call to call"
    return ""


def _odd(kind: Any, capture: Capture) -> str:
    found = make(kind).detect(capture)
    wrong = wrong_firings(capture, found)
    if not wrong and len(found[0]) and np.unique(capture.channels[0].samples).size == 1:
        return f"{len(found[0])} firings on a record that never changes"
    return wrong


def _other(kind: Any, capture: Capture) -> str:
    return wrong_firings(capture, make(kind).detect(capture))


def _invariant(kind: Any, change: str) -> str:
    made, capture = make(kind), sound_capture()
    other = shifted(capture) if change == "shift" else changed(capture, change)
    moved = SHIFT if change == "shift" else 0
    sign = -1 if change == "inversion" else 1
    for channel, a, b in zip(capture.channels, made.detect(capture), made.detect(other), strict=True):
        if len(a) != len(b):
            return f"channel {channel.name}: {len(a)} firings before, {len(b)} after"
        reach = max(REACH, SHIFT_REACH_S * channel.sample_rate_Hz) if moved else REACH
        if (np.abs(np.asarray(b.position) + moved - a.position) > reach).any():
            return f"channel {channel.name}: a position moves by more than {reach:g} samples"
        if not np.array_equal(np.asarray(b.polarity) * sign, a.polarity):
            return f"channel {channel.name}: the polarity does not follow"
    return ""
