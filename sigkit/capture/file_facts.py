"""What the words and scalars of a file say beside its samples: rate, start, scale, date, speed."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from sigkit.capture.column_names import parse_column_name, unit_factor

_NUMBER = re.compile(r"^\s*(?P<number>[-+]?(?:\d+[.,]?\d*|[.,]\d+)(?:[eE][-+]?\d+)?)\s*(?P<unit>[^\d\s][^\d]*)?$")
_RATE_UNITS_HZ = {"": 1.0, "hz": 1.0, "khz": 1e3, "mhz": 1e6, "ghz": 1e9, "s/s": 1.0, "ks/s": 1e3, "ms/s": 1e6,
                  "gs/s": 1e9, "sa/s": 1.0, "ksa/s": 1e3, "msa/s": 1e6, "gsa/s": 1e9, "1/s": 1.0}
_RATE = frozenset({"sample_rate", "samplerate", "sampling_rate", "sample_frequency", "sampling_frequency", "fs",
                   "samples_per_second", "rate"})
_INTERVAL = frozenset({"sample_interval", "sampling_interval", "sample_period", "sampling_period", "dt",
                       "time_step", "time_per_sample"})
_START = frozenset({"start", "start_time", "t0", "first_sample", "time_of_first_sample"})
_ORIGIN = frozenset({"date", "date_time", "datetime", "recorded", "recorded_at", "time_origin", "start_of_recording",
                     "timestamp"})
_SPEED = frozenset({"engine_speed", "engine_speed_rpm", "rpm", "speed_rpm"})
_PER_CHANNEL_TEXT = {"unit": "unit", "units": "unit", "channel_names": "name", "kind": "kind",
                     "channel_kinds": "kind"}
_PER_CHANNEL_NUMBER = {"scale": "scale", "zero": "zero", "full_scale_low": "full_scale_low",
                       "full_scale_high": "full_scale_high"}


@dataclass
class FileFacts:
    """Statements of a file. Each tuple holds one entry for all channels or one a channel; empty when unsaid.

    Attributes
    ----------
    sample_rate_Hz, start_s, scale, zero, full_scale_low, full_scale_high : tuple of float
    name, unit, kind : tuple of str
    time_origin : str
    engine_speed_rpm : float or None
    text : dict
        Everything as written.
    faults : list of str
        Statements that cannot be understood.
    """

    sample_rate_Hz: tuple[float, ...] = ()
    start_s: tuple[float, ...] = ()
    scale: tuple[float, ...] = ()
    zero: tuple[float, ...] = ()
    full_scale_low: tuple[float, ...] = ()
    full_scale_high: tuple[float, ...] = ()
    name: tuple[str, ...] = ()
    unit: tuple[str, ...] = ()
    kind: tuple[str, ...] = ()
    time_origin: str = ""
    engine_speed_rpm: float | None = None
    text: dict[str, str] = field(default_factory=dict)
    faults: list[str] = field(default_factory=list)


def is_statement(key: str) -> bool:
    """Tell whether a name is that of a statement (rate, scale, ...) and not of samples.

    Examples
    --------
    >>> is_statement("sample_rate_Hz"), is_statement("voltage")
    (True, False)
    """
    name, _ = _key(key)
    scale = parse_column_name(key).name.strip().lower()
    return (name in _RATE | _INTERVAL | _START | _ORIGIN | _SPEED or name in _PER_CHANNEL_TEXT
            or name in _PER_CHANNEL_NUMBER or scale in _PER_CHANNEL_NUMBER)


def pick(values: tuple, position: int) -> Any:
    """Return the entry for a channel: its own, the common one, or None when nothing is said."""
    if len(values) == 1:
        return values[0]
    return values[position] if position < len(values) else None


def _entries(value: Any) -> list[Any]:
    """Return a scalar, text or array as a flat list of numbers or texts."""
    if isinstance(value, bytes):
        return [value.decode("utf-8", "replace")]
    if isinstance(value, str):
        return [value]
    array = np.asarray(value).ravel()
    return [item.decode("utf-8", "replace") if isinstance(item, bytes) else item for item in array.tolist()]


def _number(value: Any) -> tuple[float, str] | None:
    """Return number and unit of one entry, None when it is no number."""
    if isinstance(value, (int, float)):
        return float(value), ""
    found = _NUMBER.match(str(value))
    if not found:
        return None
    return float(found["number"].replace(",", ".")), (found["unit"] or "").strip()


def _quantities(value: Any, key_unit: str, table: Mapping[str, float] | None) -> tuple[float, ...] | None:
    """Return the entries in SI units, None when one cannot be understood. ``table`` None means seconds."""
    result = []
    for entry in _entries(value):
        pair = _number(entry)
        if pair is None or not math.isfinite(pair[0]):
            return None
        unit = pair[1] or key_unit
        if table is None:
            known = unit_factor(unit) if unit else ("time", 1.0)
            if known is None or known[0] != "time":
                return None
            factor = known[1]
        elif unit.lower() in table:
            factor = table[unit.lower()]
        else:
            return None
        result.append(pair[0] * factor)
    return tuple(result)


def _key(text: str) -> tuple[str, str]:
    """Return the key in one spelling and the unit written into it."""
    text = text.strip()
    found = re.match(r"^(?P<key>.*?)\s*[\(\[](?P<unit>[^\)\]]*)[\)\]]$", text)
    unit = ""
    if found:
        text, unit = found["key"], found["unit"]
    else:
        found = re.match(r"^(?P<key>.*)[_ ](?P<unit>[kKMG]?Hz|s|ms|us|µs|ns)$", text)
        if found:
            text, unit = found["key"], found["unit"]
    return re.sub(r"[\s\-.]+", "_", text.strip().lower()).strip("_"), unit


def join_facts(several: Sequence[FileFacts]) -> FileFacts:
    """Return the statements for all channels from those for each; equal ones stay as they are.

    Parameters
    ----------
    several : sequence of FileFacts
        One a channel, in order, not empty.
    """
    first = several[0]
    # The texts are compared, as an unknown full scale is NaN, which equals nothing.
    if all(one is first or one.text == first.text for one in several):
        return first
    joined = FileFacts(name=first.name if all(one.name == first.name for one in several) else (),
                       text=dict(first.text), time_origin=first.time_origin,
                       engine_speed_rpm=first.engine_speed_rpm)  # fmt: skip
    for name in ("sample_rate_Hz", "start_s", "scale", "zero", "full_scale_low", "full_scale_high", "unit", "kind"):
        setattr(joined, name, tuple(pick(getattr(one, name), position) for position, one in enumerate(several)))
    joined.faults = list(dict.fromkeys(fault for one in several for fault in one.faults))
    return joined


def read_facts(statements: Mapping[str, Any]) -> FileFacts:
    """Understand the statements of a file; what is not understood stays in ``text``.

    Parameters
    ----------
    statements : mapping of str to text, number or array

    Returns
    -------
    FileFacts

    Examples
    --------
    >>> read_facts({"Sample rate": "250 kHz"}).sample_rate_Hz
    (250000.0,)
    >>> read_facts({"sample interval (us)": "4"}).sample_rate_Hz
    (250000.0,)
    """
    facts = FileFacts()
    for raw_key, value in statements.items():
        key, unit = _key(str(raw_key))
        facts.text[str(raw_key)] = "|".join(str(entry) for entry in _entries(value))[:10_000]
        found: tuple[float, ...] | None
        if key in _RATE:
            found = _quantities(value, unit, _RATE_UNITS_HZ)
            if found is None or any(rate <= 0 for rate in found):
                facts.faults.append(f"the sample rate {facts.text[str(raw_key)]!r} cannot be understood")
            else:
                facts.sample_rate_Hz = found
        elif key in _INTERVAL:
            found = _quantities(value, unit, None)
            if found is None or any(interval <= 0 for interval in found):
                facts.faults.append(f"the sample interval {facts.text[str(raw_key)]!r} cannot be understood")
            elif not facts.sample_rate_Hz:
                facts.sample_rate_Hz = tuple(float(f"{1 / interval:.12g}") for interval in found)
        elif key in _START:
            facts.start_s = _quantities(value, unit, None) or facts.start_s
        elif key in _ORIGIN:
            facts.time_origin = facts.text[str(raw_key)]
        elif key in _SPEED:
            pair = _number(_entries(value)[0]) if _entries(value) else None
            facts.engine_speed_rpm = pair[0] if pair and pair[0] > 0 else facts.engine_speed_rpm
        elif key in _PER_CHANNEL_TEXT:
            entries = tuple(str(entry).strip() for entry in _entries(value))
            if isinstance(value, str) and "|" in value:
                entries = tuple(part.strip() for part in entries[0].split("|"))
            setattr(facts, _PER_CHANNEL_TEXT[key], entries)
        else:
            _read_scale(facts, key, str(raw_key), value)
    return facts


def _read_scale(facts: FileFacts, key: str, raw_key: str, value: Any) -> None:
    """Read ``scale``, ``scale_V``, ``scale_mV``, ``zero``, ``full_scale_low``, ``full_scale_high``."""
    parsed = parse_column_name(raw_key)
    name = parsed.name.strip().lower() if parsed.factor is not None else key
    if name not in _PER_CHANNEL_NUMBER:
        return
    numbers = [_number(entry) for entry in _entries(value)]
    if any(pair is None or pair[1] for pair in numbers):
        facts.faults.append(f"{raw_key} {facts.text[raw_key]!r} is not a number")
        return
    factor = parsed.factor if parsed.factor is not None else 1.0
    setattr(facts, _PER_CHANNEL_NUMBER[name], tuple(pair[0] * factor for pair in numbers if pair))
    if name == "scale" and parsed.factor is not None:
        facts.unit = ("V" if parsed.quantity == "voltage" else "A",)
