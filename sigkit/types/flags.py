"""Flags beside a number: usable, a bound, or missing and why."""

from __future__ import annotations

OK = "ok"
LOWER_BOUND = "lower_bound"

#: Reason code -> what it means, in the words of the report.
MISSING_REASONS = {
    "no_spark": "the gap did not conduct",
    "cut_start": "the record begins after this instant",
    "cut_end": "the record ends before this instant",
    "clipped": "the samples needed are at the limit of the recorder",
    "under_sampled": "the sample rate is too low for this quantity",
    "too_noisy": "the noise hides it",
    "not_visible": "nothing on the record marks it",
    "no_ring": "no oscillation rises above the noise",
    "no_scale": "the file gives no scale in volts",
    "wrong_channel": "this kind of channel does not carry it",
    "no_baseline": "no settled level was recorded",
    "absent": "a firing was expected here and none was found",
    "not_judged": "no answer was attempted",
    "ambiguous": "two readings are equally likely",
}


def missing(reason: str) -> str:
    """Return the flag of a missing value.

    Parameters
    ----------
    reason : str
        A key of `MISSING_REASONS`.

    Examples
    --------
    >>> missing("cut_end")
    'missing:cut_end'
    """
    if reason not in MISSING_REASONS:
        raise KeyError(f"unknown reason {reason!r}; known: {', '.join(MISSING_REASONS)}")
    return f"missing:{reason}"


#: Flags of a whole firing, joined by a blank in the column ``flags``.
FIRING_FLAGS = {
    "cut": "the record begins within this firing's dwell or ends within its burn",
    "clipped": "samples of this firing are at the limit of the recorder",
    "repeat_strike": "the coil was switched on again within the same firing",
    "restrike": "the gap re-ignited within the discharge",
    "soft_end": "the burn ends without a visible rise",
    "absent": "expected but not found",
    "no_dwell": "the switching-on of the coil is not visible",
    "low_rate": "fewer than 100 kS/s: short details are not resolved",
}
