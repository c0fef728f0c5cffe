"""The recorder: bandwidth, range, noise, clipping with slow recovery, quantising."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

#: Usual full-scale steps of a recorder, volts.
FULL_SCALES_V = np.sort(np.outer([1.0, 2.0, 5.0], 10.0 ** np.arange(-3, 5)).ravel())


@dataclass(frozen=True)
class Instrument:
    """One recorder set-up. Shares are of half the span of its range.

    Attributes
    ----------
    sample_rate_Hz : float
    bits : int
    bandwidth_Hz : float
        Where the response has fallen by 3 dB. There is no further anti-alias filter.
    poles : int
        1, or 2 (critically damped pair).
    noise : float
        Root mean square of the white noise.
    impulse_rate_Hz, impulse : float
        Single disturbed samples a second, and their size.
    ripple_Hz, ripple : float
        Mains or alternator ripple.
    drift : float
        Slow wander over the record.
    offset : float
        Constant offset error.
    recovery_s : float
        Time constant with which an overdriven input comes back; 0 for at once.
    fit : str
        ``"sensible"``, ``"too_small"`` or ``"too_big"``: how the range was chosen.
    shift : float
        Position of the middle of the range, in half spans, towards the sign of the signal.
    stored : str
        ``"int16"`` (codes with a scale) or ``"float32"`` (values).
    """

    sample_rate_Hz: float
    bits: int
    bandwidth_Hz: float
    poles: int = 1
    noise: float = 0.0
    impulse_rate_Hz: float = 0.0
    impulse: float = 0.0
    ripple_Hz: float = 50.0
    ripple: float = 0.0
    drift: float = 0.0
    offset: float = 0.0
    recovery_s: float = 0.0
    fit: str = "sensible"
    shift: float = 0.0
    stored: str = "int16"

    @property
    def delay_s(self) -> float:
        """Delay of a slow signal through the front end, seconds."""
        return self.poles / (2.0 * np.pi * self._corner_Hz)

    @property
    def _corner_Hz(self) -> float:
        # n equal poles are 3 dB down together at corner * sqrt(2^(1/n) - 1).
        return self.bandwidth_Hz / np.sqrt(2.0 ** (1.0 / self.poles) - 1.0)

    def front_end(self, step_s: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return the low-pass as digital filter (b, a), exact for straight lines between samples."""
        from scipy.signal import cont2discrete

        constant = 1.0 / (2.0 * np.pi * self._corner_Hz)
        down = np.array([1.0])
        for _ in range(self.poles):
            down = np.convolve(down, [constant, 1.0])
        system = cont2discrete(([1.0], down), step_s, method="foh")
        return np.ravel(system[0]), np.ravel(system[1])


def draw_instrument(
    sample_rate_Hz: float,
    bits: int,
    nuisance: float,
    range_shares: tuple[float, float, float],
    engine_speed_rpm: float,
    rng: np.random.Generator,
) -> Instrument:
    """Draw a recorder set-up; ranges are our choice and span workshop and laboratory recorders.

    Parameters
    ----------
    sample_rate_Hz : float
    bits : int
    nuisance : float
        Multiplies noise, impulses, ripple, drift and offset.
    range_shares : tuple of float
        Relative shares of sensible, too small and too big ranges.
    engine_speed_rpm : float
        For the alternator ripple.
    rng : numpy.random.Generator
    """
    shares = np.asarray(range_shares, dtype=float)
    alternator_Hz = engine_speed_rpm / 60.0 * 2.5 * 36.0
    return Instrument(
        sample_rate_Hz=sample_rate_Hz,
        bits=bits,
        bandwidth_Hz=float(np.clip(sample_rate_Hz * 10.0 ** rng.uniform(-0.7, 0.5), 15e3, 2e6)),
        poles=int(rng.integers(1, 3)),
        noise=nuisance * 10.0 ** rng.uniform(-3.7, -2.1),
        impulse_rate_Hz=float(rng.choice([0.0, 0.0, 2.0, 20.0])) * (nuisance > 0),
        impulse=nuisance * float(rng.uniform(0.02, 0.3)),
        ripple_Hz=float(rng.choice([50.0, alternator_Hz])),
        ripple=nuisance * float(rng.choice([0.0, 0.002, 0.01])),
        drift=nuisance * float(rng.choice([0.0, 0.005, 0.03])),
        offset=nuisance * 0.01 * float(rng.standard_normal()),
        recovery_s=float(rng.choice([0.0, 5e-6, 50e-6])),
        fit=str(rng.choice(["sensible", "too_small", "too_big"], p=shares / shares.sum())),
        shift=float(rng.choice([0.0, 0.5])),
        stored=str(rng.choice(["int16", "float32"], p=[0.75, 0.25])),
    )


def choose_range(
    low: float, high: float, instrument: Instrument, rng: np.random.Generator
) -> tuple[float, float]:
    """Return the range a person would set for a signal between ``low`` and ``high``.

    Sensible: the smallest usual step above the signal with 5 % to spare. Too small: 0.15 to 0.7 of the
    peak. Too big: 2 to 4 times the peak, so that a burn line of a tenth of the peak still spans 3 to 6 codes
    of 8 bits (a 1.2 kV burn line on a 50 kV span is 6 codes; arithmetic).
    """
    peak = max(abs(low), abs(high), 1e-9)
    factor = {"sensible": 1.05, "too_small": rng.uniform(0.15, 0.7), "too_big": rng.uniform(2.0, 4.0)}
    sign = 1.0 if abs(high) >= abs(low) else -1.0
    shift = instrument.shift
    # With the middle moved towards the signal the same span reaches (1 + shift) half spans out.
    need = max(peak / (1.0 + shift), (-low if sign > 0 else high) / (1.0 - shift))
    need *= factor[instrument.fit]
    steps = FULL_SCALES_V[need <= FULL_SCALES_V] if instrument.fit != "too_small" else FULL_SCALES_V[
        need >= FULL_SCALES_V]
    half = float(FULL_SCALES_V[-1])
    if steps.size:
        half = float(steps[0] if instrument.fit != "too_small" else steps[-1])
    middle = sign * shift * half
    return middle - half, middle + half


def disturb(
    record: NDArray[np.float64], half_span: float, instrument: Instrument, rng: np.random.Generator
) -> NDArray[np.float64]:
    """Add noise, impulses, ripple, drift and offset to records, shape (k, samples)."""
    count, length = record.shape
    time_s = np.arange(length) / instrument.sample_rate_Hz
    result = record + half_span * instrument.offset
    if instrument.noise:
        result += half_span * instrument.noise * rng.standard_normal((count, length))
    phase = rng.uniform(0.0, 2.0 * np.pi, (count, 2))
    if instrument.ripple:
        wave = np.sin(2.0 * np.pi * instrument.ripple_Hz * time_s + phase[:, :1])
        result += half_span * instrument.ripple * wave
    if instrument.drift:
        # Up to two turns a second: slower than any firing.
        turns_Hz = rng.uniform(0.05, 2.0)
        result += half_span * instrument.drift * np.sin(2.0 * np.pi * turns_Hz * time_s + phase[:, 1:])
    expected = instrument.impulse_rate_Hz * length / instrument.sample_rate_Hz
    number = rng.poisson(expected, count)
    if number.sum():
        where = (np.repeat(np.arange(count), number), rng.integers(0, length, number.sum()))
        np.add.at(result, where, half_span * instrument.impulse * rng.standard_normal(number.sum()))
    return result


def limit(
    record: NDArray[np.float64], full_scale: tuple[float, float], instrument: Instrument
) -> NDArray[np.float64]:
    """Clip records to the range; an overdriven input comes back with its own time constant.

    A fifth of the excess charges the input stage (our choice) and leaks off afterwards.
    """
    from scipy.signal import lfilter

    low, high = full_scale
    inside = np.clip(record, low, high)
    if instrument.recovery_s > 0:
        excess = record - inside
        if excess.any():
            keep = np.exp(-1.0 / (instrument.sample_rate_Hz * instrument.recovery_s))
            charge = lfilter([0.2 * (1.0 - keep)], [1.0, -keep], excess, axis=1)
            inside = np.clip(record + charge, low, high)
    return inside


def quantise(
    record: NDArray[np.float64], full_scale: tuple[float, float], bits: int
) -> tuple[NDArray[np.int16], float, float]:
    """Round records to the codes of an ideal quantiser.

    Returns
    -------
    codes : ndarray of int16
        From ``-2**(bits - 1)`` to ``2**(bits - 1) - 1``.
    scale, zero : float
        value = (code - zero) * scale.

    Examples
    --------
    >>> codes, scale, zero = quantise(np.array([[-5.0, 0.0, 4.99]]), (-5.0, 5.0), 8)
    >>> codes.tolist(), scale, zero
    ([[-128, 0, 127]], 0.0390625, -0.0)
    """
    low, high = full_scale
    scale = (high - low) / 2**bits
    middle = 0.5 * (low + high)
    codes = np.rint((record - middle) / scale)
    half = 2 ** (bits - 1)
    return np.clip(codes, -half, half - 1).astype(np.int16), scale, -middle / scale
