"""All leads of a shared-coil engine on one clock of working cycles."""

from __future__ import annotations

import numpy as np
import pytest

from sigkit.context.cycle_halves import cycle_halves

#: Usual order of four cylinders, pairs 1-4 and 2-3 sharing a coil (common practice, no source).
ORDER = ("1", "3", "4", "2")


def _times(rng, turns=9, period_s=0.04):
    """Every lead fires once a revolution; its own revolution of power is given by its place in the order."""
    drift = np.cumsum(period_s * (1 + 0.01 * rng.standard_normal(turns + 2)))
    times = {lead: np.interp(np.arange(turns) + (place * 0.5) % 1, np.arange(turns + 2), drift)
             for place, lead in enumerate(ORDER)}  # fmt: skip
    # Power of the lead at place p falls at crank angles of p / 4 of the cycle of two turns.
    power = {lead: (np.arange(turns) - int(place * 0.5)) % 2 == 0 for place, lead in enumerate(ORDER)}
    return times, power


@pytest.mark.parametrize("seed", range(5))
def test_power_sparks_of_all_leads_share_a_parity(seed):
    times, power = _times(np.random.default_rng(seed))
    halves = cycle_halves(times, ORDER)
    parities = [halves[lead][power[lead]] % 2 for lead in ORDER]
    assert len(set(np.concatenate(parities).tolist())) == 1
    others = [halves[lead][~power[lead]] % 2 for lead in ORDER]
    assert set(np.concatenate(others).tolist()) == {1 - int(parities[0][0])}


def test_firings_may_be_missing():
    times, power = _times(np.random.default_rng(7))
    keep = np.array([True, True, False, True, True, False, True, True, True])
    halves = cycle_halves({lead: (t[keep] if lead == "3" else t) for lead, t in times.items()}, ORDER)
    assert set((halves["3"][power["3"][keep]] % 2).tolist()) == set((halves["1"][power["1"]] % 2).tolist())


def test_another_order_or_an_unknown_lead_is_no_answer():
    times, _ = _times(np.random.default_rng(3))
    shifted = times | {"3": times["3"] + 0.012}
    assert cycle_halves({"1": shifted["1"], "3": shifted["3"]}, ORDER) is None
    assert cycle_halves(times, ("1", "2", "5")) is None
