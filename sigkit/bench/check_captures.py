"""Captures the conformance kit asks plug-ins about: simulated, changed in ways that must not matter, and odd ones."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from sigkit.types.capture import Capture
from sigkit.types.channel import CHANNEL_KINDS, Channel

#: Changes that leave instants where they are (or move them with the record): name -> factor and offset in volts.
CHANGES = {"gain": (3.0, 0.0), "inversion": (-1.0, 0.0), "offset": (1.0, 2.5)}
#: A change of the record's begin, samples cut off in front.
SHIFT = 11
_SEED = 20_261_125


@lru_cache(maxsize=1)
def sound_capture() -> Capture:
    """Return a quiet simulated engine of two coils, 100 kS/s, samples as float64 without clipping."""
    from sigkit.simulate.simulated_capture import simulate_captures
    from sigkit.simulate.study_recipe import StudyRecipe

    recipe = StudyRecipe(
        engines=1, firings_per_lead=4, cylinders=(2,), ignition_types=("coil_on_plug",), sample_rates_Hz=(100e3,),
        bits=(14,), recordings=("continuous",), channel_sets=("secondary",), faulty_share=0.0, reversed_share=0.0,
        missing_share=0.0, cut_share=0.0, sync_share=0.0, nuisance=0.3, range_shares=(1.0, 0.0, 0.0),
    )  # fmt: skip
    made = simulate_captures(recipe, _SEED)[0].capture
    return made.with_(channels=tuple(plain(c, c.values()) for c in made.channels), note="")


def plain(channel: Channel, values: NDArray) -> Channel:
    """Return the channel with these values as its samples, in volts, the range not known."""
    return channel.with_(samples=np.ascontiguousarray(values), scale=1.0, zero=0.0, unit="V", full_scale=None)


def other_captures() -> dict[str, Capture]:
    """Return the simulated engine as other channels and other samples may hold it; only the contract is asked of these.

    Each other kind of channel (the same samples under another name), and whole numbers with a scale.
    """
    sound = sound_capture()
    made = {
        f"a channel of kind {kind}": sound.with_(channels=tuple(c.with_(kind=kind) for c in sound.channels))
        for kind in CHANNEL_KINDS
        if kind != "secondary_voltage"
    }
    steps = [(c, max(float(np.abs(c.values()).max()), 1e-9) / 30_000) for c in sound.channels]
    made["samples of whole numbers with a scale"] = sound.with_(
        channels=tuple(c.with_(samples=np.round(c.values() / q).astype(np.int16), scale=q) for c, q in steps)
    )
    return made


def changed(capture: Capture, change: str) -> Capture:
    """Return the capture with a change of `CHANGES` made to every channel."""
    factor, offset_V = CHANGES[change]
    return capture.with_(channels=tuple(plain(c, c.values() * factor + offset_V) for c in capture.channels))


def shifted(capture: Capture) -> Capture:
    """Return the capture without its first `SHIFT` samples, on the same time axis."""
    return capture.with_(
        channels=tuple(
            plain(c, c.values()[SHIFT:]).with_(start_s=c.start_s + SHIFT / c.sample_rate_Hz) for c in capture.channels
        )
    )


def odd_captures() -> dict[str, Capture]:
    """Return records without any firing that every plug-in must survive."""
    samples = {
        "no sample": np.zeros(0), "one sample": np.ones(1), "a constant record": np.full(20_000, 1.5),
        "fifty samples": np.random.default_rng(3).normal(size=50),
    }  # fmt: skip
    return {words: Capture(words, (Channel("lead_1", values, 100e3, unit="V", kind="secondary_voltage"),))
            for words, values in samples.items()}  # fmt: skip
