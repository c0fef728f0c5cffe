"""Channels of one event hand switching instants to those that do not show them."""

from __future__ import annotations

import numpy as np
import pytest

from sigkit.measure.instants_from_table import firings_from_instants, instants_from_table
from sigkit.measure.share_switching import share_switching
from sigkit.types.capture import Capture
from sigkit.types.channel import Channel


def _case(coil: str):
    lead = Channel("lead", np.zeros(4000), 1e6, start_s=-1e-3, unit="V", kind="secondary_voltage", coil="1")
    current = Channel("current", np.zeros(1000), 2e5, start_s=0.0, unit="V", kind="coil_current", coil=coil)
    seen = instants_from_table(lead, {"coil_on_s": np.array([5e-4]), "coil_off_s": np.array([2e-3])}, 1e-6)
    half = instants_from_table(current, {"coil_off_s": np.array([2.001e-3])}, 1e-5)
    firings = [firings_from_instants(lead, seen), firings_from_instants(current, half)]
    return share_switching(Capture("a", (lead, current)), firings, [seen, half])[1]


def test_a_lost_instant_comes_from_the_other_channel_on_its_own_axis() -> None:
    filled = _case("1")
    assert float(filled.coil_on.position[0]) == 100.0  # 0.5 ms at 200 kS/s from time 0
    assert str(filled.coil_on.flag[0]) == "ok"
    # A placing to 1 us: rectangular, 1 / sqrt(12), JCGM 100:2008, F.2.2.1; 0.2 samples to the microsecond here.
    assert float(filled.coil_on.u[0]) == pytest.approx(0.2 / np.sqrt(12.0))
    # What it shows itself stays.
    assert float(filled.coil_off.position[0]) == pytest.approx(2.001e-3 * 2e5)


def test_another_coil_hands_on_nothing() -> None:
    assert str(_case("2").coil_on.flag[0]) == "missing:not_judged"
