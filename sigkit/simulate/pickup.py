"""What sits between the lead and the recorder: capacitive clip or divider, attenuator, current clamp."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Pickup:
    """One pickup.

    A capacitive clip of C1 to the lead and C2 to ground, loaded by R, divides by (C1 + C2) / C1 above
    1 / (2 pi R (C1 + C2)) and differentiates below (closed form of the RC divider).

    Attributes
    ----------
    ratio : float
        Nominal ratio: volts (or amperes) at the circuit per unit at the recorder.
    gain_error : float
        Relative error of the gain; that of a clip depends on how it sits on the lead.
    time_constant_s : float
        Of the high-pass, seconds; inf for a coupling down to zero frequency.
    inverted : bool
        True when what is recorded has the opposite sign.
    """

    ratio: float
    gain_error: float = 0.0
    time_constant_s: float = np.inf
    inverted: bool = False

    @property
    def gain(self) -> float:
        """Signed gain well above the corner of the high-pass.

        Examples
        --------
        >>> Pickup(1000.0, gain_error=0.5, inverted=True).gain
        -0.0015
        """
        return (-1.0 if self.inverted else 1.0) * (1.0 + self.gain_error) / self.ratio

    @classmethod
    def of_clip(cls, lead_F: float, ground_F: float, load_ohm: float) -> Pickup:
        """Return the pickup of a capacitive clip.

        Parameters
        ----------
        lead_F, ground_F, load_ohm : float
            Capacitance to the lead, to ground, and resistance of the load.

        Examples
        --------
        >>> clip = Pickup.of_clip(2e-12, 20e-9, 1e6)
        >>> round(clip.ratio), round(clip.time_constant_s * 1e3, 3)
        (10001, 20.002)
        """
        total_F = lead_F + ground_F
        return cls(ratio=total_F / lead_F, time_constant_s=load_ohm * total_F)


def high_pass(
    signal: NDArray[np.float64], step_s: float, time_constant_s: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """High-pass signals that begin at rest, exactly for straight lines between the samples.

    Parameters
    ----------
    signal : ndarray, shape (n, m)
    step_s : float
        Sample distance.
    time_constant_s : float
        Seconds; inf passes everything.

    Returns
    -------
    passed : ndarray, shape (n, m)
    tail : ndarray, shape (n,)
        Value the output has at the end if the input then returns to zero; it decays with the time constant.
    """
    from scipy.signal import cont2discrete, lfilter

    if not np.isfinite(time_constant_s):
        return signal, np.zeros(signal.shape[0])
    low = cont2discrete(([1.0], [time_constant_s, 1.0]), step_s, method="foh")
    kept = lfilter(np.ravel(low[0]), np.ravel(low[1]), signal, axis=1)
    return signal - kept, -kept[:, -1]


def draw_lead_pickups(count: int, rng: np.random.Generator) -> list[Pickup]:
    """Draw the pickups of the leads of one recording: one make, each sitting a little differently.

    Time constants 0.05 to 100 ms (short ones differentiate), mostly above 5 ms; our choice.
    """
    ratio = float(rng.choice([1000.0, 2000.0, 5000.0, 10000.0], p=[0.55, 0.1, 0.1, 0.25]))
    kind = rng.random()
    if kind < 0.3:
        constant = np.inf
    elif kind < 0.9:
        constant = float(np.exp(rng.uniform(np.log(5e-3), np.log(0.1))))
    else:
        constant = float(np.exp(rng.uniform(np.log(0.05e-3), np.log(5e-3))))
    spread = float(rng.choice([0.01, 0.05, 0.15]))
    inverted = bool(rng.random() < 0.25)
    return [
        Pickup(ratio, float(np.clip(spread * rng.standard_normal(), -0.6, 0.6)),
               constant * float(np.exp(0.05 * rng.standard_normal())), inverted)
        for _ in range(count)
    ]  # fmt: skip


def draw_primary_pickup(rng: np.random.Generator) -> Pickup:
    """Draw an attenuator for the primary voltage, coupled down to zero frequency."""
    return Pickup(float(rng.choice([1.0, 10.0, 20.0, 100.0])), 0.02 * float(rng.standard_normal()))


def draw_current_clamp(rng: np.random.Generator) -> Pickup:
    """Draw a current clamp: amperes per volt as its ratio, either way round on the wire."""
    return Pickup(float(rng.choice([1.0, 10.0, 100.0])), 0.03 * float(rng.standard_normal()),
                  inverted=bool(rng.random() < 0.1))  # fmt: skip


@dataclass(frozen=True, eq=False)
class Crosstalk:
    """Coupling of other leads into a pickup. Arrays have shape (leads, leads): into row, from column.

    Attributes
    ----------
    scaled : ndarray
        Share of the other lead's record.
    differentiated : ndarray
        Share of its quick changes: a small coupling capacitance differentiates below 1 / (2 pi time_s) and
        divides above, so a step couples in with this share and decays with ``time_s``.
    time_s : float
        Seconds (our choice).
    """

    scaled: NDArray[np.float64]
    differentiated: NDArray[np.float64]
    time_s: float = 20e-6

    def into(self, lead: int) -> NDArray[np.int64]:
        """Return the leads that couple into one."""
        return np.flatnonzero((self.scaled[lead] != 0) | (self.differentiated[lead] != 0))

    def mix(self, lead: int, records: dict[int, NDArray], sample_rate_Hz: float) -> NDArray[np.float64]:
        """Return a lead's record with what couples in from the others.

        Parameters
        ----------
        lead : int
        records : dict of int to ndarray, shape (k, samples)
            Record of each lead, time along axis 1.
        sample_rate_Hz : float

        Returns
        -------
        ndarray, shape (k, samples)
        """
        total = records[lead].copy()
        for other in self.into(lead):
            total += self.scaled[lead, other] * records[other]
            if self.differentiated[lead, other]:
                # The record's first value is its state of rest.
                change = records[other] - records[other][:, :1]
                total += self.differentiated[lead, other] * high_pass(change, 1.0 / sample_rate_Hz, self.time_s)[0]
        return total


def draw_crosstalk(leads: int, amount: float, rng: np.random.Generator) -> Crosstalk:
    """Draw the coupling between leads: up to about 5 %, some of it differentiated (our choice).

    Parameters
    ----------
    leads : int
    amount : float
        Multiplies the coupling; 0 for none.
    rng : numpy.random.Generator
    """
    size = amount * float(rng.choice([0.0, 0.01, 0.025])) * np.abs(rng.standard_normal((leads, leads)))
    size = np.clip(size, 0.0, 0.05 * max(amount, 1e-9)) * (rng.random((leads, leads)) < 0.5)
    np.fill_diagonal(size, 0.0)
    sharp = rng.random((leads, leads)) < 0.3
    return Crosstalk(np.where(sharp, 0.0, size), np.where(sharp, size, 0.0))
