"""Read what the name of a column or array says: quantity, unit, kind, or that it is an extreme of a block."""

from __future__ import annotations

import re
from dataclasses import dataclass

from sigkit.units import CURRENT_UNITS_A, TIME_UNITS_S, VOLTAGE_UNITS_V

_BRACKETS = re.compile(r"^(?P<name>.*?)\s*[\(\[]\s*(?P<unit>[^()\[\]]*?)\s*[\)\]]\s*$")
_SLASH = re.compile(r"^(?P<name>.*?)\s*/\s*(?P<unit>[^\W\d_]{1,8})$")
_WORD = re.compile(r"^(?P<name>.*?)\s+(?:in\s+)?(?P<unit>[^\W\d_]{1,8})$")
_SUFFIX = re.compile(r"^(?P<name>.*?)_(?P<unit>[^\W\d_]{1,8})$")
_TIME = re.compile(r"^(time|t|x|zeit|temps|tiempo|tempo|sec|seconds|timestamps?|(elapsed|relative|rel)[ _.]*time)$")
_TIME_START = re.compile(r"^time\b|\btime$")
_INDEX = frozenset({"index", "sample", "sample number", "sample no", "sample no.", "sample_number", "sample_no",
                    "sample index", "sample_index", "no", "no.", "n", "#", "nr", "point", "row"})
_EXTREME = re.compile(r"(?:^|[\W_])(?P<extreme>min|max|minimum|maximum)(?:$|[\W_])")


@dataclass(frozen=True)
class ColumnName:
    """What a column name says.

    Attributes
    ----------
    name : str
        Name without the unit.
    quantity : str
        ``"time"``, ``"voltage"``, ``"current"``, ``"index"`` (a running number) or ``""``.
    factor : float or None
        Multiplies the stored numbers to give s, V or A; None when no known unit is written.
    unit : str
        Unit as written, ``""`` for none.
    extreme : str
        ``"min"`` or ``"max"`` when the column holds the extremes of blocks, else ``""``.
    """

    name: str
    quantity: str = ""
    factor: float | None = None
    unit: str = ""
    extreme: str = ""


def unit_factor(unit: str) -> tuple[str, float] | None:
    """Return quantity and factor to SI of a unit name, None when it is no unit of time, voltage or current.

    Upper-case ``MV`` and ``MA`` are mega by the SI rules and are not taken for milli.

    Examples
    --------
    >>> unit_factor("mV")
    ('voltage', 0.001)
    >>> unit_factor("bar") is None
    True
    """
    if unit in ("MV", "MA"):
        return None
    lower = unit.strip().lower()
    for quantity, table in (("time", TIME_UNITS_S), ("voltage", VOLTAGE_UNITS_V), ("current", CURRENT_UNITS_A)):
        if lower in table:
            return quantity, table[lower]
    return None


def _split(text: str) -> tuple[str, str]:
    """Separate name and unit; a bare letter counts as a unit only where it cannot be part of the name."""
    found = _BRACKETS.match(text)
    if found:
        return found["name"], found["unit"]
    found = _SLASH.match(text)
    if found and unit_factor(found["unit"]):
        return found["name"], found["unit"]
    for pattern in (_WORD, _SUFFIX):
        found = pattern.match(text)
        if not found or not unit_factor(found["unit"]):
            continue
        name, unit = found["name"], found["unit"]
        explicit = " in " in text
        if len(unit) > 1 or explicit or unit == "V" or (unit == "s" and _TIME.match(name.lower().strip())):
            return name, unit
        if unit == "A" and "current" in name.lower():
            return name, unit
    return text, ""


def parse_column_name(text: str) -> ColumnName:
    """Read a column name.

    Parameters
    ----------
    text : str
        Such as ``"voltage (mV)"``, ``"V [kV]"``, ``"time/ms"``, ``"time_s"``, ``"CH1 in mV"``.

    Returns
    -------
    ColumnName

    Examples
    --------
    >>> parse_column_name("voltage (mV)")
    ColumnName(name='voltage', quantity='voltage', factor=0.001, unit='mV', extreme='')
    >>> parse_column_name("time_ms").factor, parse_column_name("CH1 max").extreme
    (0.001, 'max')
    >>> parse_column_name("channel_A").unit
    ''
    """
    text = text.strip().strip('"').strip()
    name, unit = _split(text)
    lower = name.lower().strip()
    extreme_match = _EXTREME.search(lower)
    extreme = extreme_match["extreme"][:3] if extreme_match else ""
    known = unit_factor(unit) if unit else None
    if known:
        return ColumnName(name.strip() or known[0], known[0], known[1], unit, extreme)
    if not unit and unit_factor(text) and len(text) <= 8 and text.lower() not in ("seconds", "sec", "second"):
        quantity, factor = unit_factor(text) or ("", 1.0)
        if text in ("s", "ms", "us", "µs", "μs", "ns", "mV", "kV", "mA", "V"):
            return ColumnName(quantity, quantity, factor, text, "")
    if lower in ("seconds", "sec"):
        return ColumnName(name.strip(), "time", 1.0, "s", "")
    if _TIME.match(lower) or _TIME_START.search(lower):
        return ColumnName(name.strip(), "time", None, unit, extreme)
    if lower in _INDEX:
        return ColumnName(name.strip(), "index", None, unit, extreme)
    return ColumnName(name.strip(), "", None, unit, extreme)


def kind_from_name(name: str, quantity: str = "") -> str:
    """Return the channel kind that a name states, ``"unknown"`` when it states none.

    Examples
    --------
    >>> kind_from_name("secondary voltage 3"), kind_from_name("CH1"), kind_from_name("CH2", "current")
    ('secondary_voltage', 'unknown', 'coil_current')
    """
    lower = name.lower()
    if "secondary" in lower:
        return "secondary_voltage"
    if re.search(r"\bsync|_sync|^sync|trigger", lower):
        return "synchronising_pulse"
    if quantity == "current" or "current" in lower:
        return "coil_current"
    if "primary" in lower:
        return "primary_voltage"
    return "unknown"
