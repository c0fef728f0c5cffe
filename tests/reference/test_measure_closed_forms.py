"""Measurement kernels against closed forms, general libraries and published sources, named beside each check."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats
from scipy.signal import lfilter

from sigkit.measure.fast_droop import BURN_BEND_HZ, estimate_fast_droop
from sigkit.measure.fit_burn_line import fit_burn_line
from sigkit.measure.fit_ring import fit_ring
from sigkit.measure.instants_from_table import firings_from_instants, instants_from_table
from sigkit.measure.measure_firings import COUPLING_U, measure_firings
from sigkit.measure.noise_correlation import noise_correlation
from sigkit.types.channel import Channel

RATE_HZ = 5e6


def decaying(frequency_Hz: float, damping: float, first: float = 1000.0, seconds: float = 3e-3) -> np.ndarray:
    """Return a damped cosine that begins at its first peak."""
    t = np.arange(int(seconds * 1e6)) * 1e-6
    w = 2 * np.pi * frequency_Hz
    decay = damping / np.sqrt(1 - damping**2) * w
    tilt = np.arctan(decay / w)
    return first * np.exp(-decay * t) * np.cos(w * t - tilt) / np.cos(tilt)


def firing(
    burn_V_per_ms: float = 0.0, ramp_V: float = 9000.0, rate_Hz: float = RATE_HZ, noise: float = 0.0
) -> tuple[Channel, dict[str, np.ndarray]]:
    """Draw one firing of straight pieces: rise of 10 us to ``ramp_V``, burn from 1000 V on for 2 ms, ring.

    Breakdown falls midway between two samples.
    """
    t = np.arange(-6e-3, 12e-3, 1 / rate_Hz)
    breakdown, end = 0.5 / rate_Hz, 2e-3 + 0.5 / rate_Hz
    y = np.zeros_like(t)
    rise = (t > breakdown - 10e-6) & (t <= breakdown)
    y[rise] = ramp_V * (t[rise] - breakdown + 10e-6) / 10e-6
    burn = (t > breakdown) & (t <= end)
    y[burn] = 1000.0 + burn_V_per_ms * (t[burn] - breakdown) * 1e3
    after = t > end
    y[after] = 1200.0 * np.exp(-3000.0 * (t[after] - end)) * np.cos(2 * np.pi * 8e3 * (t[after] - end))
    y += noise * np.random.default_rng(3).standard_normal(t.size)
    table = {"coil_on_s": np.array([-4e-3]), "coil_off_s": np.array([breakdown - 10e-6]),
             "breakdown_s": np.array([breakdown]), "burn_end_s": np.array([end])}  # fmt: skip
    return Channel("1", y, rate_Hz, start_s=-6e-3, unit="V", kind="secondary_voltage"), table


def measure(channel: Channel, table: dict[str, np.ndarray]):
    instants = instants_from_table(channel, table)
    return measure_firings(channel, firings_from_instants(channel, instants, np.array([1])), instants).columns


@pytest.mark.parametrize(
    ("damping", "decrement"),
    [
        # Logarithmic decrement, mechanics texts (Rao; Thomson): 4000 to 500 in three cycles is ln 8 / 3.
        (0.10965, 0.69315),
        # Damping ratio 0.1: peaks one cycle apart are 1.8804 to 1 (the same texts).
        (0.1, np.log(1.8804)),
    ],
)
def test_damping_ratio_by_logarithmic_decrement(damping: float, decrement: float) -> None:
    fit = fit_ring(decaying(8000.0, damping)[None, :], 1e-6)
    found = float(fit.damping_ratio[0])
    assert found == pytest.approx(damping, rel=1e-5)
    assert 2 * np.pi * found / np.sqrt(1 - found**2) == pytest.approx(decrement, rel=1e-4)
    assert float(fit.frequency_Hz[0]) == pytest.approx(8000.0, rel=1e-6)
    # Peaks above 5 % of the first: 1 + floor(ln 20 / decrement), from the same decay.
    assert float(fit.cycles[0]) == 1 + np.floor(np.log(20.0) / decrement)


def test_damped_frequency_of_a_parallel_circuit() -> None:
    # Elementary circuits: 40 H and 60 pF ring at 3248.74 Hz undamped; at a damping ratio of 0.1 the damped
    # frequency is 0.99499 of it.
    natural_Hz = 1 / (2 * np.pi * np.sqrt(40.0 * 60e-12))
    assert natural_Hz == pytest.approx(3248.74, abs=0.01)
    fit = fit_ring(decaying(0.994987 * natural_Hz, 0.1)[None, :], 1e-6)
    assert float(fit.frequency_Hz[0]) / natural_Hz == pytest.approx(0.99499, abs=1e-5)


def test_ring_frequency_uncertainty_meets_the_bound_of_a_sine() -> None:
    # Kay, Fundamentals of Statistical Signal Processing (1993), example 3.14, from memory: N 1000, A 1,
    # sigma 0.01, 1 MS/s: standard deviation of the frequency at least 0.2466 Hz. An undamped ring is that sine.
    t = np.arange(1000) * 1e-6
    rng = np.random.default_rng(7)
    rows = np.cos(2 * np.pi * 9137.0 * t) + 0.01 * rng.standard_normal((300, 1000))
    fit = fit_ring(rows, 1e-6, 0.01)
    # With the decay free as well the frequency's bound is the same: their errors are uncorrelated.
    assert float(np.std(fit.frequency_Hz)) == pytest.approx(0.2466, rel=0.15)
    assert float(np.median(fit.frequency_u_Hz)) == pytest.approx(0.2466, rel=0.05)


def test_line_agrees_with_a_general_library() -> None:
    rng = np.random.default_rng(11)
    x = np.linspace(0.0, 1.2, 180)
    y = 900.0 + 210.0 * x + rng.normal(0.0, 8.0, (40, 180))
    fit = fit_burn_line(np.broadcast_to(x, y.shape), y, np.full(40, 8.0))
    library = [stats.linregress(x, row) for row in y]
    # Bisquare weights and least squares differ by noise of noise: sqrt(1/0.95 - 1) of the standard error.
    error = fit.slope - np.array([line.slope for line in library])
    standard = np.median([line.stderr for line in library])
    assert float(np.sqrt(np.mean(error**2))) < 0.3 * standard
    assert float(np.median(fit.slope_u)) == pytest.approx(standard / np.sqrt(0.95), rel=0.03)
    assert float(np.mean(np.abs(fit.slope - 210.0) < 1.96 * fit.slope_u)) > 0.85


def test_spikes_do_not_pull_the_line() -> None:
    # scipy.stats.theilslopes is the general library's robust line.
    x = np.linspace(0.0, 1.0, 120)
    y = 800.0 - 300.0 * x + np.random.default_rng(5).normal(0.0, 5.0, 120)
    y[[20, 21, 60, 90]] += 6000.0
    fit = fit_burn_line(x[None, :], y[None, :])
    assert float(fit.slope[0]) == pytest.approx(stats.theilslopes(y, x).slope, abs=5.0)


def test_series_resistance_tilts_the_burn_line_by_ohms_law() -> None:
    # Ohm: 13 kohm more in series, 60 mA falling to 0 over the burn of 2 ms: 780 V more fall, -390 V/ms.
    plain = measure(*firing(0.0))["burn_slope"].value[0]
    tilted = measure(*firing(-390.0))["burn_slope"].value[0]
    assert (tilted - plain) * 2.0 == pytest.approx(-780.0, rel=5e-3)


def test_quantising_uncertainty_is_that_of_an_ideal_converter() -> None:
    # 8 bits over 50 kV: 195.31 V a code, 56.38 V rms (quantisation noise, LSB / sqrt(12), any text on converters).
    channel, table = firing(0.0)
    step = 50e3 / 2**8
    coarse = channel.with_(samples=np.rint(channel.samples / step).astype(np.int16), scale=step)
    burn = measure(coarse, table)["burn_voltage"]
    assert step == pytest.approx(195.31, abs=0.005)
    # Level and baseline each carry one such error; what a pickup of unknown droop may add comes on top.
    assert float(burn.u[0]) >= 56.38 * np.sqrt(2) * 0.98
    assert float(burn.lo[0]) < 1000.0 < float(burn.hi[0])


def test_droop_of_a_capacitive_clip() -> None:
    # Closed form of the RC divider: 2 pF, 20 nF, 1 Mohm give a time constant of 20.002 ms; 2 ms flat droop by 9.515 %.
    constant_s = 1e6 * 20.002e-9
    assert 1 - np.exp(-2e-3 / constant_s) == pytest.approx(0.09515, abs=5e-6)
    one, table = firing(0.0, rate_Hz=1e6)
    v = np.tile(one.samples, 4)  # droop is told from chance by three firings at least
    repeat_s = one.samples.size * 1e-6
    table = {name: np.concatenate([value + k * repeat_s for k in range(4)]) for name, value in table.items()}
    keep = np.exp(-1e-6 / constant_s)
    y = np.zeros_like(v)
    for k in range(1, v.size):  # exact for steps between samples
        y[k] = keep * y[k - 1] + v[k] - v[k - 1]
    channel = one.with_(samples=y)
    instants = instants_from_table(channel, table)
    found = measure_firings(channel, firings_from_instants(channel, instants, np.ones(4, int)), instants).columns
    # Undone: without it the slope would be -1000 V / 20 ms = -50 V/ms.
    assert abs(float(found["burn_slope"].value[0])) < 2.0
    assert float(found["burn_voltage"].value[0]) == pytest.approx(1000.0, abs=3.0)


@pytest.mark.parametrize("seconds", [5e-3, 20e-3, np.inf])
def test_a_droop_that_is_known_is_undone(seconds: float) -> None:
    # RC divider: behind a time constant tau a voltage loses what its integral over tau comes to.
    channel, table = firing()
    step = 1.0 / RATE_HZ
    plain = channel.samples
    seen = plain if np.isinf(seconds) else lfilter([1.0, -1.0], [1.0, -np.exp(-step / seconds)], plain)
    known = channel.with_(samples=seen, pickup_time_constant_s=seconds)
    burn = measure(known, table)["burn_voltage"]
    assert burn.value[0] == pytest.approx(1000.0, rel=1e-3)
    # Five per cent of what had to be undone are stated, and nothing where nothing had to be.
    undone = 0.0 if np.isinf(seconds) else 1e-3 / seconds * 1000.0
    assert burn.u[0] == pytest.approx(np.hypot(0.05 * undone, COUPLING_U * 1000.0), rel=0.2)


def test_droop_of_a_differentiating_pickup() -> None:
    # A straight burn behind a 0.2 ms high-pass decays as exp(-t / 0.2 ms) (closed form): g = 5000 1/s.
    y = np.exp(-np.arange(1500) * 1e-6 / 0.2e-3)[None, :]
    rate, rate_u = estimate_fast_droop(y, (np.cumsum(y, axis=1) - 0.5 * y) * 1e-6, np.ones_like(y, dtype=bool))
    assert rate + BURN_BEND_HZ == pytest.approx(5000.0, rel=2e-3)
    assert abs(rate - 5000.0) < 2.1 * rate_u


@pytest.mark.parametrize("rate_Hz", [2e6, 5e6, 20e6])
def test_firing_voltage_between_samples(rate_Hz: float) -> None:
    # A ramp of 10 us (closed form) that breaks down midway between two samples at 9 kV.
    volts = measure(*firing(rate_Hz=rate_Hz))["firing_voltage"]
    assert str(volts.flag[0]) == "ok"
    assert float(volts.lo[0]) <= 9000.0 <= float(volts.hi[0])
    # Nearer than the highest sample, which is half an interval low, or at most a third of one's rise too high.
    assert abs(float(volts.value[0]) - 9000.0) < 0.5 * 9000.0 / (10e-6 * rate_Hz)


def test_firing_voltage_is_a_lower_bound_when_under_sampled() -> None:
    volts = measure(*firing(rate_Hz=200e3))["firing_voltage"]
    assert str(volts.flag[0]) == "lower_bound"
    assert float(volts.value[0]) <= 9000.0
    assert np.isinf(volts.hi[0])


def test_correlated_noise_raises_the_variance_of_a_mean() -> None:
    # First-order autoregression of coefficient a: (1 + a) / (1 - a) (time-series texts); a = 0.5 gives 3.
    rng = np.random.default_rng(2)
    rows = np.zeros((200, 400))
    shock = rng.standard_normal(rows.shape)
    for k in range(1, rows.shape[1]):
        rows[:, k] = 0.5 * rows[:, k - 1] + shock[:, k]
    assert noise_correlation(rows[:, 50:]) == pytest.approx(3.0, rel=0.05)
    assert noise_correlation(shock) == pytest.approx(1.0, abs=0.02)
