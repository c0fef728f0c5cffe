"""Invented captures with instants known from the formula they are drawn by; no detector is involved."""

from __future__ import annotations

import numpy as np
import pytest

from sigkit.types.capture import Capture
from sigkit.types.channel import Channel
from sigkit.types.firing_table import empty_table
from sigkit.types.measurements import QUANTITY

RATE_HZ = 200_000.0
PERIOD_S = 0.030
DWELL_S = 0.003


def firing_shape(time_s, burn_s, firing_V, burn_V, slope_V_per_s):
    """Return the invented voltage at times counted from coil off, in volts (negative-going)."""
    t = np.asarray(time_s)
    value = np.zeros_like(t)
    value[(t >= -DWELL_S) & (t < 0)] = 40.0
    rise = (t >= 0) & (t < 20e-6)
    value[rise] = -firing_V * t[rise] / 20e-6
    burn = (t >= 20e-6) & (t < 20e-6 + burn_s)
    value[burn] = -(burn_V + slope_V_per_s * (t[burn] - 20e-6 - burn_s / 2))
    ring = t >= 20e-6 + burn_s
    after = t[ring] - 20e-6 - burn_s
    value[ring] = -burn_V * np.exp(-after / 0.3e-3) * np.cos(2 * np.pi * 5e3 * after)
    return value


def build(n=6, leads=("1", "2", "3", "4"), name="morning-run.csv", ratio=None, odd="3", seed=7):
    """Return an invented capture and its firing table, filled from the formula."""
    rng = np.random.default_rng(seed)
    samples_n = int((n * PERIOD_S + 0.02) * RATE_HZ)
    time_s = np.arange(samples_n) / RATE_HZ
    channels, rows = [], []
    for place, lead in enumerate(leads):
        value = rng.normal(0.0, 6.0, samples_n)
        for k in range(n):
            off_s = 0.008 + k * PERIOD_S + place * PERIOD_S / len(leads)
            absent = lead == odd and k == 2
            burn_s = (0.7e-3 if lead == odd else 1.3e-3) + rng.normal(0, 2e-5)
            high_V = (900.0 if lead == odd else 640.0) + rng.normal(0, 20)
            near = (time_s > off_s - 0.005) & (time_s < off_s + 0.006)
            if not absent:
                value[near] += firing_shape(time_s[near] - off_s, burn_s, high_V, 110.0, 9e3)
            rows.append((lead, k, off_s, burn_s, high_V, absent))
        channels.append(
            Channel(
                f"ch{lead}",
                value.astype(np.float32),
                RATE_HZ,
                unit="V",
                kind="secondary_voltage",
                lead=lead,
                cylinder=lead,
                coil="AB"[place % 2],
                pickup_ratio=ratio,
            )
        )
    table = empty_table(len(rows))
    for i, (lead, k, off_s, burn_s, high_V, absent) in enumerate(rows):
        text = {
            "capture": name,
            "channel": f"ch{lead}",
            "engine": "ferry-2",
            "cylinder": lead,
            "coil": "AB"[leads.index(lead) % 2],
            "role": "single",
            "sparked": "yes",
            "condition": "wide_gap" if lead == odd else "normal",
            "condition_set": "wide_gap|high_resistance" if lead == odd else "normal",
            "flags": "",
        }
        if absent:
            text.update(sparked="no", flags="absent", condition="unknown", condition_set="")
        for column, word in text.items():
            table[column][i] = word
        table["firing"][i], table["event"][i] = k, k * len(leads) + leads.index(lead)
        table["time_s"][i] = off_s
        if absent:
            continue
        table["polarity"][i], table["conduction_intervals"][i] = -1, 1
        table["condition_probability"][i] = 0.82
        values = {
            "coil_on": (off_s - DWELL_S, 4e-6),
            "coil_off": (off_s, 2e-6),
            "breakdown": (off_s + 20e-6, 1e-6),
            "burn_end": (off_s + 20e-6 + burn_s, 8e-6),
            "burn_time": (burn_s * 1e3, 0.008),
            "peak_voltage": (-high_V, 9.0),
            "firing_voltage": (-high_V, 9.0),
            "burn_voltage": (-110.0, 2.0),
            "burn_slope": (9.0, 1.5),
            "burn_hash": (6.0, 0.4),
            "ring_frequency": (5e3, 40.0),
            "ring_damping_ratio": (0.106, 0.004),
            "ring_cycles": (4.0, 0.4),
            "dwell_time": (3.0, 0.0045),
        }
        for quantity, (value, u) in values.items():
            spec = QUANTITY[quantity]
            table[spec.column][i], table[spec.u_column][i] = value, u
            table[spec.lo_column][i], table[spec.hi_column][i] = value - 1.96 * u, value + 1.96 * u
            table[spec.flag_column][i] = "ok"
    return Capture(name, tuple(channels), engine="ferry-2", firing_order=("1", "3", "4", "2")), table


@pytest.fixture(scope="session")
def invented():
    return build()


@pytest.fixture(scope="session")
def build_invented():
    return build
