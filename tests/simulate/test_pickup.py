"""Pickups: divider and droop against closed forms of the RC divider, sign, crosstalk."""

from __future__ import annotations

import numpy as np
import pytest

from sigkit.simulate.circuit_parameters import CircuitParameters
from sigkit.simulate.instrument import Instrument
from sigkit.simulate.integrate_circuit import integrate_circuit
from sigkit.simulate.pickup import (
    Crosstalk,
    Pickup,
    draw_crosstalk,
    draw_current_clamp,
    draw_lead_pickups,
    draw_primary_pickup,
    high_pass,
)
from sigkit.simulate.record_windows import RecordClock, record_signal
from sigkit.simulate.typical_coils import typical_coils


def test_clip_divides_and_droops_as_its_closed_form_says() -> None:
    # 2 pF to the lead, 20 nF to ground, 1 Mohm: 10001:1, 20.002 ms, 7.957 Hz, 9.515 % droop over 2 ms
    # (closed form of the RC divider, recomputed).
    clip = Pickup.of_clip(2e-12, 20e-9, 1e6)
    assert clip.ratio == pytest.approx(10001.0)
    assert clip.time_constant_s == pytest.approx(20.002e-3, rel=5e-4)
    assert 1.0 / (2 * np.pi * clip.time_constant_s) == pytest.approx(7.957, rel=5e-4)
    step_s = 1e-6
    flat = np.zeros((1, 4001))
    flat[0, 1:2002] = 1.0  # 2 ms from sample 1 on
    passed, _ = high_pass(flat, step_s, clip.time_constant_s)
    assert 1.0 - passed[0, 2001] / passed[0, 1] == pytest.approx(0.09515, rel=5e-4)
    # Behind the pulse the output has the opposite sign, by what has drooped.
    assert passed[0, 2002] == pytest.approx(-0.09515, rel=1e-3)


@pytest.mark.parametrize("constant_s", [0.05e-3, 1e-3, 0.1])
def test_high_pass_is_exact_for_a_ramp(constant_s: float) -> None:
    # Closed form: a ramp of slope a comes out as a T (1 - exp(-t / T)).
    step_s, slope = 2e-6, 3.0e3
    time_s = np.arange(500) * step_s
    passed, tail = high_pass(slope * time_s[None], step_s, constant_s)
    assert passed[0] == pytest.approx(slope * constant_s * -np.expm1(-time_s / constant_s), rel=1e-9, abs=1e-12)
    assert tail[0] == pytest.approx(passed[0, -1] - slope * time_s[-1], rel=1e-9)


def test_coupling_to_zero_frequency_passes_everything() -> None:
    signal = np.random.default_rng(1).standard_normal((2, 50))
    passed, tail = high_pass(signal, 1e-6, np.inf)
    assert np.array_equal(passed, signal)
    assert np.array_equal(tail, np.zeros(2))


def test_gain_carries_ratio_error_and_sign() -> None:
    assert Pickup(1000.0).gain == pytest.approx(1e-3)
    assert Pickup(1000.0, gain_error=-0.2).gain == pytest.approx(0.8e-3)
    assert Pickup(1000.0, inverted=True).gain == pytest.approx(-1e-3)


def _recorded(pickup: Pickup, period_s: float, rate_Hz: float = 200e3) -> np.ndarray:
    """Return three events of one coil recorded with a pickup."""
    rng = np.random.default_rng(5)
    parameters: CircuitParameters = typical_coils(3, rng)
    waveforms = integrate_circuit(parameters, rng, after_s=6e-3)
    clock = RecordClock(np.array([-8e-3]), rate_Hz, int((2 * period_s + 16e-3) * rate_Hz))
    records, _ = record_signal(
        waveforms, np.arange(3), np.full(3, "tower_0_V"), np.arange(3) * period_s, waveforms.truth.breakdown_s[:, 0],
        np.zeros(3), clock, pickup, Instrument(rate_Hz, 12, 100e3), period_s,
    )  # fmt: skip
    return records[0]


@pytest.mark.parametrize("constant_s", [0.05e-3, 1e-3, 20e-3])
@pytest.mark.parametrize("period_s", [20e-3, 200e-3])
def test_record_of_a_coupled_pickup_stays_finite_and_without_mean(constant_s: float, period_s: float) -> None:
    record = _recorded(Pickup(1000.0, time_constant_s=constant_s), period_s)
    assert np.all(np.isfinite(record))
    # Nothing passes at zero frequency: over whole periods what goes up comes down.
    whole = record[: int(2 * period_s * 200e3)]
    plain = _recorded(Pickup(1000.0), period_s)[: whole.size]
    share = constant_s / period_s
    assert abs(whole.sum()) < abs(plain.sum()) * max(0.02, 1.5 * share)


def test_inverted_pickup_records_the_mirror_image() -> None:
    upright, inverted = (_recorded(Pickup(1000.0, inverted=turned), 30e-3) for turned in (False, True))
    assert np.array_equal(inverted, -upright)
    assert np.abs(upright).max() > 1.0


def test_scaled_crosstalk_adds_its_share_of_the_other_record() -> None:
    rng = np.random.default_rng(2)
    records = {0: rng.standard_normal((1, 400)), 1: rng.standard_normal((1, 400))}
    scaled = np.array([[0.0, 0.04], [0.0, 0.0]])
    crosstalk = Crosstalk(scaled, np.zeros((2, 2)))
    assert crosstalk.mix(0, records, 1e6) - records[0] == pytest.approx(0.04 * records[1], rel=1e-12, abs=1e-15)
    assert np.array_equal(crosstalk.mix(1, records, 1e6), records[1])
    assert crosstalk.into(0).tolist() == [1]
    assert crosstalk.into(1).tolist() == []


@pytest.mark.parametrize("rate_Hz", [20e3, 200e3, 1e6, 5e6])
def test_differentiated_crosstalk_keeps_its_share_at_every_rate(rate_Hz: float) -> None:
    # A step through a small coupling capacitance: share at once, then exp(-t / T) (closed form).
    step = np.zeros((1, int(400e-6 * rate_Hz) + 4))
    step[0, 2:] = 7.0
    records = {0: np.zeros_like(step), 1: step}
    crosstalk = Crosstalk(np.zeros((2, 2)), np.array([[0.0, 0.05], [0.0, 0.0]]), time_s=20e-6)
    mixed = crosstalk.mix(0, records, rate_Hz)[0]
    assert np.abs(mixed).max() <= 0.05 * 7.0
    later = np.arange(step.size - 2) / rate_Hz
    assert mixed[2:] == pytest.approx(mixed[2] * np.exp(-later / 20e-6), abs=1e-12)
    if rate_Hz >= 1e6:
        assert mixed[2] == pytest.approx(0.05 * 7.0, rel=0.03)


def test_drawn_crosstalk_stays_within_five_per_cent() -> None:
    rng = np.random.default_rng(0)
    drawn = [draw_crosstalk(6, 1.0, rng) for _ in range(200)]
    largest = [max(one.scaled.max(), one.differentiated.max()) for one in drawn]
    assert max(largest) <= 0.05
    assert max(largest) > 0.02  # some coupling is large enough to matter
    assert all(np.all(np.diag(one.scaled + one.differentiated) == 0) for one in drawn)
    assert draw_crosstalk(6, 0.0, rng).into(0).size == 0


def test_drawn_pickups_stay_within_their_ranges() -> None:
    rng = np.random.default_rng(0)
    drawn = [pickup for _ in range(300) for pickup in draw_lead_pickups(2, rng)]
    constants = np.array([pickup.time_constant_s for pickup in drawn])
    finite = constants[np.isfinite(constants)]
    # 0.05 to 100 ms, each lead's own within a few per cent of it.
    assert finite.min() > 0.05e-3 * 0.8
    assert finite.max() < 100e-3 * 1.25
    assert 0.2 < np.mean(np.isinf(constants)) < 0.4
    assert all(abs(pickup.gain_error) <= 0.6 for pickup in drawn)
    assert {pickup.inverted for pickup in drawn} == {True, False}
    assert draw_primary_pickup(rng).time_constant_s == np.inf
    assert draw_current_clamp(rng).ratio in (1.0, 10.0, 100.0)
