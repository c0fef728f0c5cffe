"""What a run keeps of a capture when its samples are gone: small, and cheap to send between processes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from sigkit.prepare.block_summary import summarise_blocks
from sigkit.prepare.channel_condition import condition_channel
from sigkit.types.capture import Capture
from sigkit.types.channel import Channel


@dataclass(frozen=True)
class ChannelFacts:
    """One channel without its samples.

    Attributes
    ----------
    name, kind, unit, lead, cylinder, coil : str
    sample_rate_Hz, duration_s : float
    step : float
        Smallest difference between stored values, in ``unit``; 0 when it cannot be told.
    pickup_ratio : float or None
    """

    name: str
    kind: str
    unit: str
    lead: str
    cylinder: str
    coil: str
    sample_rate_Hz: float
    duration_s: float
    step: float
    pickup_ratio: float | None


@dataclass(frozen=True)
class CaptureFacts:
    """One capture without its samples; attributes as in `sigkit.types.capture.Capture`."""

    name: str
    recording: str
    sweep: int
    engine: str
    format: str
    engine_speed_rpm: float | None
    profile: str
    time_origin: str
    note: str
    warnings: tuple[str, ...]
    firing_order: tuple[str, ...]
    channels: tuple[ChannelFacts, ...]

    def channel(self, name: str) -> ChannelFacts:
        """Return a channel by name; KeyError when there is none."""
        for channel in self.channels:
            if channel.name == name:
                return channel
        raise KeyError(name)


def facts_of(capture: Capture) -> CaptureFacts:
    """Return what a run keeps of a capture."""
    return CaptureFacts(
        name=capture.name,
        recording=capture.recording or capture.name,
        sweep=capture.sweep,
        engine=capture.engine,
        format=capture.format,
        engine_speed_rpm=capture.engine_speed_rpm,
        profile=capture.profile,
        time_origin=capture.time_origin,
        note=capture.note,
        warnings=tuple(capture.warnings),
        firing_order=tuple(capture.firing_order),
        channels=tuple(_channel(channel) for channel in capture.channels),
    )


def _channel(channel: Channel) -> ChannelFacts:
    step = condition_channel(channel, summarise_blocks(channel)).step if len(channel) else 0.0
    return ChannelFacts(
        name=channel.name,
        kind=channel.kind,
        unit=channel.unit,
        lead=channel.lead,
        cylinder=channel.cylinder,
        coil=channel.coil,
        sample_rate_Hz=float(channel.sample_rate_Hz),
        duration_s=len(channel) / float(channel.sample_rate_Hz),
        step=float(np.nan_to_num(step)),
        pickup_ratio=channel.pickup_ratio,
    )


def rate_in_words(sample_rate_Hz: float) -> str:
    """Return a sample rate in words.

    Examples
    --------
    >>> rate_in_words(200_000.0), rate_in_words(2.5e6), rate_in_words(50.0)
    ('200 kS/s', '2.5 MS/s', '50 S/s')
    """
    for factor, unit in ((1e6, "MS/s"), (1e3, "kS/s")):
        if sample_rate_Hz >= factor:
            return f"{sample_rate_Hz / factor:.4g} {unit}"
    return f"{sample_rate_Hz:.4g} S/s"


def facts_in_words(facts: CaptureFacts) -> tuple[tuple[str, str], ...]:
    """Return name and value of what the page says of a capture's recording."""
    rates = sorted({channel.sample_rate_Hz for channel in facts.channels})
    duration = max((channel.duration_s for channel in facts.channels), default=0.0)
    rows: list[tuple[str, Any]] = [
        ("format", facts.format or "not stated"),
        ("channels", len(facts.channels)),
        ("rate", ", ".join(rate_in_words(rate) for rate in rates)),
        ("duration", f"{duration:.3g} s"),
    ]
    if facts.engine_speed_rpm:
        rows.append(("engine speed", f"{facts.engine_speed_rpm:.0f} rpm"))
    if facts.profile:
        rows.append(("profile", facts.profile))
    return tuple((name, str(value)) for name, value in rows)
