"""Where the firings of simulated captures start for whoever learns from them: as detected, or as a detector might."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sigkit import registry
from sigkit.measure.measure_capture import DETECTOR
from sigkit.prepare.block_summary import summarise_blocks
from sigkit.prepare.channel_condition import ChannelCondition, condition_channel
from sigkit.prepare.settled_level import settled_level
from sigkit.simulate.simulated_capture import SimulatedCapture
from sigkit.types.channel import Channel
from sigkit.types.firings import Firings

#: Below this rate the detector's positions lie up to so much later (seen on 320 engines; our choice).
SLOW_HZ, LATER_S = 71e3, 80e-6
#: Where wild starts lie about the switching-off, seconds (our choice: detections are seldom further off).
WILD_S = (-0.25e-3, 0.4e-3)
#: A detection this near to a true switching-off is of that firing, seconds.
DETECTED_S = 1e-3

#: From a channel and the true switchings-off to starts, both in float samples; NaN leaves a firing out.
StartsOf = Callable[[Channel, NDArray], NDArray]


@dataclass(frozen=True, eq=False)
class Start:
    """The firings of one channel, started where a detector saw them or might have, with their truth."""

    channel: Channel
    condition: ChannelCondition
    firings: Firings
    level: NDArray
    truth: dict[str, NDArray]


def starts(made: SimulatedCapture, starts_of: StartsOf) -> Iterator[Start]:
    """Yield the firings of each channel of a capture that shows them."""
    truth = made.truth
    for channel in made.capture.channels:
        if channel.kind not in ("secondary_voltage", "primary_voltage"):
            continue
        rate = channel.sample_rate_Hz
        rows = np.flatnonzero((truth["channel"] == channel.name) & ~truth["absent"])
        off = (truth["coil_off_s"][rows] - channel.start_s) * rate
        keep = (off >= 2) & (off < len(channel) - 2)
        rows, off = rows[keep], off[keep]
        where = starts_of(channel, off)
        order = np.argsort(where, kind="stable")[: int(np.isfinite(where).sum())]
        rows, position = rows[order], np.clip(where[order], 0, len(channel) - 1).astype(np.int64)
        if rows.size == 0:
            continue
        firings = Firings(
            channel.name, position, position, position, truth["polarity"][rows].astype(np.int8), np.arange(rows.size)
        )
        blocks = summarise_blocks(channel)
        condition = condition_channel(channel, blocks)
        level = settled_level(blocks, rate)[np.minimum(position // blocks.length, blocks.mean.size - 1)]
        yield Start(channel, condition, firings, level, {name: np.asarray(truth[name])[rows] for name in truth})


def drawn(rng: np.random.Generator, wild_share: float = 0.0) -> StartsOf:
    """Return starts where a detector might have seen firings, a share of them anywhere about the switching-off."""

    def position(channel: Channel, off: NDArray) -> NDArray:
        slow = channel.sample_rate_Hz < SLOW_HZ
        late_s = rng.uniform(-30e-6, 60e-6, off.size) + slow * rng.uniform(0.0, LATER_S, off.size)
        if wild_share:
            late_s = np.where(rng.random(off.size) < wild_share, rng.uniform(*WILD_S, off.size), late_s)
        return np.asarray(off + late_s * channel.sample_rate_Hz)

    return position


def detected(made: SimulatedCapture) -> StartsOf:
    """Return starts where the built-in detector sees the firings of a capture."""
    found = {one.channel: one.position for one in registry.load("detectors", DETECTOR)().detect(made.capture)}

    def position(channel: Channel, off: NDArray) -> NDArray:
        here = found.get(channel.name, np.zeros(0))
        if not here.size or not off.size:
            return np.full(off.size, np.nan)
        nearest = here[np.abs(here[None, :] - off[:, None]).argmin(axis=1)].astype(float)
        return np.where(np.abs(nearest - off) <= DETECTED_S * channel.sample_rate_Hz, nearest, np.nan)

    return position
