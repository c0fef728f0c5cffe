"""From where a condition counts: a written rule on physical parameters, fixed before any training."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sigkit.simulate.event_drivers import EventDrivers, coil_energy_J, median_breakdown_V


@dataclass(frozen=True)
class ConditionOnset:
    """When a condition counts.

    Attributes
    ----------
    condition : str
    quantity : str
        The physical parameter judged.
    unit : str
        ``""`` for a ratio.
    onset : float
        It counts when the quantity lies beyond this, towards ``severe``.
    severe : float
        Value at severity 1, the end of the scale.
    reason : str
        Why there. All are our choice: no published threshold was found.
    """

    condition: str
    quantity: str
    unit: str
    onset: float
    severe: float
    reason: str


#: One rule a condition. All thresholds are our choice.
CONDITION_ONSETS = (
    ConditionOnset("wide_gap", "gap length over that of the lead's new plug", "", 1.3, 2.5,
                   "beyond the tolerance of setting and the wear of normal service"),
    ConditionOnset("narrow_gap", "gap length over that of the lead's new plug", "", 0.7, 0.15,
                   "below the tolerance of setting"),
    ConditionOnset("fouled_plug", "resistance across the gap", "ohm", 1e6, 50e3,
                   "at 10 kV the shunt takes 10 mA, a fifth of the usual secondary current"),
    ConditionOnset("open_secondary", "voltage that bridges the break", "V", 3e3, 1e5,
                   "as much as the spread between sound leads"),
    ConditionOnset("high_resistance", "series resistance above that of the sound lead", "ohm", 15e3, 100e3,
                   "50 mA drop 750 V over it, half a usual burn voltage"),
    ConditionOnset("lean_mixture", "excess air", "", 1.25, 1.8,
                   "where the scatter of combustion from cycle to cycle starts to show"),
    ConditionOnset("low_compression", "density at the spark over that of a sound cylinder", "", 0.75, 0.35,
                   "a quarter of the charge lost is what a compression test calls bad"),
    ConditionOnset("low_coil_energy", "energy at coil_off over that of the sound coil", "", 0.6, 0.15,
                   "below what supply and dwell vary by in normal running"),
    ConditionOnset("shorted_winding", "loss resistance over that of the sound coil", "", 0.4, 0.02,
                   "beyond the spread of coils of one make"),
    ConditionOnset("insulation_leak", "flash-over of the insulation over the demand of the gap", "", 1.2, 0.3,
                   "at its scatter of 30 % about one firing in four then flashes over"),
)
ONSET = {rule.condition: rule for rule in CONDITION_ONSETS}


def condition_quantities(drivers: EventDrivers) -> dict[str, NDArray[np.float64]]:
    """Return the quantity each onset judges, by condition, each of shape (n, 2)."""
    p = drivers.parameters
    both = np.ones((1, 2))
    gap_ratio = p.gap_length_m / drivers.nominal_gap_m
    return {
        "wide_gap": gap_ratio,
        "narrow_gap": gap_ratio,
        "fouled_plug": p.shunt_ohm,
        "open_secondary": p.open_gap_V,
        "high_resistance": p.series_ohm - drivers.nominal_series_ohm,
        "lean_mixture": drivers.excess_air,
        "low_compression": drivers.density_ratio,
        "low_coil_energy": (coil_energy_J(drivers) / drivers.nominal_energy_J)[:, None] * both,
        "shorted_winding": (p.core_loss_ohm[:, None] / drivers.nominal_core_loss_ohm) * both,
        "insulation_leak": drivers.leak_strength_V / median_breakdown_V(drivers),
    }


def beyond_onset(drivers: EventDrivers) -> dict[str, NDArray[np.float64]]:
    """Return how far each condition lies beyond its onset.

    Returns
    -------
    dict of str to ndarray, shape (n, 2)
        0 at the onset, 1 at the end of its scale (logarithmic between), negative below the onset.
    """
    result = {}
    for condition, value in condition_quantities(drivers).items():
        rule = ONSET[condition]
        clipped = np.clip(value, 1e-12, 1e12)
        result[condition] = np.log(clipped / rule.onset) / np.log(rule.severe / rule.onset)
    return result


def dominant_condition(drivers: EventDrivers) -> NDArray[np.str_]:
    """Return the condition furthest beyond its onset, ``"normal"`` where none is, shape (n, 2)."""
    beyond = beyond_onset(drivers)
    names = np.array([*beyond, "normal"], dtype=object)
    score = np.stack([np.minimum(values, 1.5) for values in beyond.values()])
    best = np.where(score.max(axis=0) > 0, score.argmax(axis=0), len(beyond))
    return names[best]
