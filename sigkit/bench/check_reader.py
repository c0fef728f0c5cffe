"""Checks of a reader."""

from __future__ import annotations

import io
from collections.abc import Iterator
from functools import partial
from typing import Any

import numpy as np

from sigkit.bench.check_plugin import Check, make
from sigkit.contracts.reader import ReadOptions
from sigkit.errors import CaptureError


def reader_checks(kind: Any) -> Iterator[Check]:
    """Yield the checks of a reader's class; what it reads is its own author's to test."""
    rubbish = np.random.default_rng(20_261_128).integers(0, 256, 4000, dtype=np.uint8).tobytes()
    yield "contract: name and suffixes", lambda: _named(make(kind))
    prose = b"The ferry leaves at nine. Bring the spare lead for the second engine.\n" * 20
    for words, content in (("nothing", b""), ("random bytes", rubbish), ("a page of prose", prose)):
        yield f"sniff: {words}", partial(_sniff, make(kind), content)
        yield f"read: {words} is refused with place and remedy", partial(_refuse, make(kind), content)


def _named(made: Any) -> str:
    suffixes = made.suffixes
    if not isinstance(made.name, str) or not all(one.startswith(".") and one == one.lower() for one in suffixes):
        return "name must be text, suffixes lower case with the dot"
    return ""


def _sniff(made: Any, content: bytes) -> str:
    likelihood = float(made.sniff(content, "a.bin"))
    if not 0.0 <= likelihood <= 1.0:
        return f"sniff gives {likelihood}; expected 0 to 1"
    return "" if likelihood < 0.9 else f"it is sure ({likelihood}) of a content that is no capture"


def _refuse(made: Any, content: bytes) -> str:
    try:
        made.read(io.BytesIO(content), "a.bin", ReadOptions())
    except CaptureError as error:
        return "" if error.reason and error.remedy else "the CaptureError has no reason or no remedy"
    return "it made a capture of nothing"
