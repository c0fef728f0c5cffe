"""Conditions in words: what each is called and where it suggests to look."""

from __future__ import annotations

#: Condition -> (name in words, where to look). Trade knowledge, common practice, no source; the same
#: directions the design's physics gives. A condition is a suggestion of where to look, not a finding.
CONDITION_WORDS = {
    "normal": ("normal", "nothing"),
    "wide_gap": ("wide gap", "the plug's gap and its wear"),
    "narrow_gap": ("narrow gap", "the plug's gap; whether it is bridged"),
    "fouled_plug": ("fouled plug", "the plug's insulator: soot, oil, fuel or moisture"),
    "open_secondary": ("open secondary", "breaks in lead, plug, terminals or winding"),
    "high_resistance": ("high series resistance", "the resistance of lead, plug resistor and terminals"),
    "lean_mixture": ("lean mixture", "fuel supply, air leaks and residual gas at that cylinder"),
    "low_compression": ("low compression", "the compression of that cylinder against the others"),
    "low_coil_energy": ("low coil energy", "supply voltage, dwell time, switch and coil"),
    "shorted_winding": ("shorted winding", "the coil's windings, against one known to be good"),
    "insulation_leak": ("insulation leak", "tracks and cracks on lead, cap, boot and coil tower"),
    "reversed_polarity": ("reversed polarity", "the coil's connections, and the pickup's"),
    "missing_firings": ("missing firings", "the trigger, the switch and the coil's supply, then the pickup"),
    "unknown": ("no condition named", "the trace itself; the evidence does not carry one condition"),
}


def condition_in_words(condition: str) -> str:
    """Return the name of a condition in words; a name from a plug-in is shown with blanks.

    Examples
    --------
    >>> condition_in_words("low_coil_energy"), condition_in_words("worn_rotor")
    ('low coil energy', 'worn rotor')
    """
    return CONDITION_WORDS.get(condition, (condition.replace("_", " "), ""))[0]


def where_to_look(condition: str) -> str:
    """Return where a condition suggests to look, ``""`` when nothing is known of it."""
    return CONDITION_WORDS.get(condition, ("", ""))[1]
