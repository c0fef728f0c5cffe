"""The recorder: quantiser, front end and limiting against closed forms."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.signal import lfilter

from sigkit.simulate.instrument import Instrument, choose_range, disturb, draw_instrument, limit, quantise

PLAIN = Instrument(sample_rate_Hz=1e6, bits=12, bandwidth_Hz=1e5)


def test_quantiser_error_is_lsb_over_root_twelve() -> None:
    # LSB / sqrt(12) (W. R. Bennett's uniform error model, from memory; checked by simulation here):
    # 8 bit over 10 V 11.276 mV, over 50 kV 195.31 V a step and 56.38 V rms.
    rng = np.random.default_rng(1)
    for span, step_V, rms_V in ((10.0, 10.0 / 256, 11.276e-3), (50e3, 195.31, 56.38)):
        values = rng.uniform(-0.499 * span, 0.495 * span, (1, 400_000))
        codes, scale, zero = quantise(values, (-span / 2, span / 2), 8)
        assert scale == pytest.approx(step_V, rel=1e-4)
        error = (codes - zero) * scale - values
        assert np.sqrt(np.mean(error**2)) == pytest.approx(rms_V, rel=5e-3)
        assert np.abs(error).max() <= scale / 2 * (1 + 1e-9)


@pytest.mark.parametrize("bits", [8, 10, 12, 14, 16])
def test_full_scale_sine_has_the_signal_to_noise_ratio_of_its_bits(bits: int) -> None:
    # 6.02 N + 1.76 dB (quantisation noise of a full-scale sine, text-book formula); 8 bit: 49.92 dB.
    time = np.arange(200_000)
    sine = np.sin(2 * np.pi * time * (np.sqrt(5) - 1) / 97)[None]
    # Codes round to the nearest, so the span without overload reaches half a step lower than the range.
    moved = sine - 0.5 / 2 ** (bits - 1)
    codes, scale, zero = quantise(moved, (-1.0, 1.0), bits)
    noise = (codes - zero) * scale - moved
    ratio_dB = 10 * np.log10(np.mean(sine**2) / np.mean(noise**2))
    assert ratio_dB == pytest.approx(6.0206 * bits + 1.7609, abs=0.15)


def test_codes_saturate_at_both_ends_of_a_shifted_range() -> None:
    codes, scale, zero = quantise(np.array([[-9.0, -2.0, 0.0, 5.0, 7.99, 20.0]]), (-2.0, 8.0), 10)
    assert codes.dtype == np.int16
    assert codes[0, 0] == codes[0, 1] == -512
    assert codes[0, -1] == 511
    assert (codes[0, 2] - zero) * scale == pytest.approx(0.0, abs=scale / 2)


def _rise_times_bandwidth(poles: int) -> float:
    instrument = dataclasses.replace(PLAIN, poles=poles)
    step_s = 1e-8
    # A step that is one grid step wide: its middle is the instant, its width is negligible.
    step = np.ones(2000)
    step[0] = 0.0
    answer = lfilter(*instrument.front_end(step_s), step)
    time = np.arange(step.size) * step_s
    rise_s = np.interp(0.9, answer, time) - np.interp(0.1, answer, time)
    return rise_s * instrument.bandwidth_Hz


def test_rise_time_times_bandwidth_of_a_single_pole() -> None:
    # ln(9) / (2 pi) = 0.34970 (closed form of the single pole).
    assert _rise_times_bandwidth(1) == pytest.approx(0.34970, rel=1e-3)


def test_rise_time_times_bandwidth_of_two_equal_poles() -> None:
    # Step answer 1 - (1 + x) exp(-x), 3 dB at corner * sqrt(sqrt(2) - 1): solved independently of the filter.
    at = [brentq(lambda x, level=level: 1 - (1 + x) * np.exp(-x) - level, 0.0, 20.0) for level in (0.1, 0.9)]
    expected = (at[1] - at[0]) / (2 * np.pi) * np.sqrt(np.sqrt(2.0) - 1.0)
    assert _rise_times_bandwidth(2) == pytest.approx(expected, rel=1e-3)


@pytest.mark.parametrize("poles", [1, 2])
def test_sine_at_the_bandwidth_is_down_by_three_decibel(poles: int) -> None:
    instrument = dataclasses.replace(PLAIN, poles=poles)
    step_s = 1e-8
    time = np.arange(100_000) * step_s
    answer = lfilter(*instrument.front_end(step_s), np.sin(2 * np.pi * 1e5 * time))[50_000:]
    assert np.sqrt(2.0) * answer.std() == pytest.approx(np.sqrt(0.5), rel=2e-3)


@pytest.mark.parametrize("poles", [1, 2])
def test_ramp_comes_late_by_the_stated_delay(poles: int) -> None:
    instrument = dataclasses.replace(PLAIN, poles=poles)
    time = np.arange(20_000) * 1e-8
    answer = lfilter(*instrument.front_end(1e-8), time)
    assert time[-1] - answer[-1] == pytest.approx(instrument.delay_s, rel=1e-6)


def test_overdriven_input_comes_back_with_its_own_time_constant() -> None:
    instrument = dataclasses.replace(PLAIN, recovery_s=50e-6)
    record = np.zeros((1, 1000))
    record[0, 100:140] = 8.0  # range ends at 1
    limited = limit(record, (-1.0, 1.0), instrument)
    assert np.abs(limited).max() == 1.0
    assert np.all(limited[0, :100] == 0.0)
    behind = limited[0, 140:400]
    assert behind[0] > 0
    assert behind[1:] / behind[:-1] == pytest.approx(np.exp(-1e-6 / 50e-6), rel=1e-9)


def test_input_within_its_range_passes_unchanged() -> None:
    record = np.random.default_rng(3).uniform(-0.9, 0.9, (2, 500))
    for recovery_s in (0.0, 50e-6):
        assert np.array_equal(limit(record, (-1.0, 1.0), dataclasses.replace(PLAIN, recovery_s=recovery_s)), record)


def test_instant_recovery_is_a_plain_clip() -> None:
    record = np.array([[-3.0, 0.5, 2.0, 0.4]])
    assert limit(record, (-1.0, 1.0), PLAIN).tolist() == [[-1.0, 0.5, 1.0, 0.4]]


def test_recorder_without_nuisance_leaves_the_record_alone() -> None:
    record = np.random.default_rng(3).standard_normal((2, 300))
    assert np.array_equal(disturb(record, 5.0, PLAIN, np.random.default_rng(0)), record)


def test_noise_has_the_stated_root_mean_square() -> None:
    noisy = disturb(np.zeros((1, 200_000)), 5.0, dataclasses.replace(PLAIN, noise=2e-3), np.random.default_rng(4))
    assert noisy.std() == pytest.approx(10e-3, rel=0.01)
    assert noisy.mean() == pytest.approx(0.0, abs=1e-4)


def test_ripple_sits_at_its_frequency_with_its_size() -> None:
    instrument = dataclasses.replace(PLAIN, ripple=0.01, ripple_Hz=2250.0)
    wave = disturb(np.zeros((1, 100_000)), 5.0, instrument, np.random.default_rng(4))[0]
    spectrum = np.abs(np.fft.rfft(wave)) / (wave.size / 2)
    peak = int(spectrum.argmax())
    assert np.fft.rfftfreq(wave.size, 1e-6)[peak] == pytest.approx(2250.0, abs=10.0)
    assert spectrum[peak] == pytest.approx(0.05, rel=0.02)


def test_offset_drift_and_impulses_have_their_size() -> None:
    rng = np.random.default_rng(4)
    shifted = disturb(np.zeros((1, 10)), 5.0, dataclasses.replace(PLAIN, offset=0.01), rng)
    assert shifted == pytest.approx(np.full((1, 10), 0.05))
    drifting = disturb(np.zeros((1, 1_000_000)), 5.0, dataclasses.replace(PLAIN, drift=0.03), rng)
    assert np.abs(drifting).max() <= 0.15 * (1 + 1e-12)
    assert np.abs(np.diff(drifting)).max() < 0.15 * 2 * np.pi * 2.0 / 1e6 * 1.001  # never quicker than 2 Hz
    struck = disturb(np.zeros((50, 100_000)), 5.0, dataclasses.replace(PLAIN, impulse_rate_Hz=20.0, impulse=0.2), rng)
    hits = struck != 0
    # Poisson: 50 records of 0.1 s at 20 a second make 100, standard deviation 10.
    assert 60 <= hits.sum() <= 140
    assert struck[hits].std() == pytest.approx(1.0, rel=0.3)


@pytest.mark.parametrize("shift", [0.0, 0.5])
@pytest.mark.parametrize(("low", "high"), [(-9.3, 1.2), (-0.4, 2.7), (-33.0, 12.0), (0.0, 415.0)])
def test_chosen_ranges_fit_as_named(low: float, high: float, shift: float) -> None:
    rng = np.random.default_rng(7)
    peak = max(-low, high)
    for fit in ("sensible", "too_small", "too_big"):
        instrument = dataclasses.replace(PLAIN, fit=fit, shift=shift)
        for _ in range(20):
            bottom, top = choose_range(low, high, instrument, rng)
            half = (top - bottom) / 2
            mantissa = half / 10.0 ** np.floor(np.log10(half) + 1e-9)
            assert mantissa == pytest.approx(round(mantissa))
            assert round(mantissa) in (1, 2, 5)
            if fit == "sensible":
                assert bottom < low
                assert top > high
                assert half < 6.0 * peak
            elif fit == "too_small":
                assert bottom > low or top < high
            else:
                assert half * (1 + shift) >= 2.0 * peak
                # Usual steps are at most 2.5 apart; the shifted range may be ruled by the other sign.
                assert half < 4.0 * 2.5 * max(peak, min(-low, high) / (1 - shift))


def test_drawn_recorders_stay_within_their_ranges() -> None:
    rng = np.random.default_rng(8)
    drawn = [draw_instrument(1e6, 12, 1.0, (0.8, 0.1, 0.1), 1500.0, rng) for _ in range(300)]
    assert all(15e3 <= one.bandwidth_Hz <= 2e6 for one in drawn)
    assert all(10**-3.7 <= one.noise <= 10**-2.1 for one in drawn)
    fits = [one.fit for one in drawn]
    assert fits.count("sensible") / 300 == pytest.approx(0.8, abs=0.08)
    assert {one.stored for one in drawn} == {"int16", "float32"}
    clean = [draw_instrument(1e6, 12, 0.0, (1.0, 0.0, 0.0), 1500.0, rng) for _ in range(50)]
    assert all(one.noise == one.impulse_rate_Hz == one.ripple == one.drift == one.offset == 0 for one in clean)
    assert {one.fit for one in clean} == {"sensible"}
