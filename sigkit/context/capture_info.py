"""What context needs to know of a capture, without its samples."""

from __future__ import annotations

from dataclasses import dataclass

from sigkit.context.pulse_times import pulse_times
from sigkit.types.capture import Capture


@dataclass(frozen=True)
class ChannelInfo:
    """A channel without samples; times in seconds on the capture's axis."""

    name: str
    kind: str
    lead: str
    coil: str
    cylinder: str
    sample_rate_Hz: float
    start_s: float
    stop_s: float


@dataclass(frozen=True)
class CaptureInfo:
    """A capture without samples; fields as in `sigkit.types.capture.Capture`."""

    name: str
    recording: str
    engine: str
    ignition_type: str
    shared_coil_pairs: tuple[tuple[str, ...], ...]
    firing_order: tuple[str, ...]
    engine_speed_rpm: float | None
    channels: tuple[ChannelInfo, ...]
    sweep: int = 0
    pulses_s: tuple[float, ...] = ()

    @classmethod
    def of(cls, capture: Capture) -> CaptureInfo:
        """Return what context needs of a capture."""
        return cls(
            capture.name, capture.recording or capture.name, capture.engine, capture.ignition_type,
            capture.shared_coil_pairs, capture.firing_order, capture.engine_speed_rpm,
            tuple(
                ChannelInfo(
                    c.name, c.kind, c.lead, c.coil, c.cylinder, c.sample_rate_Hz, c.start_s,
                    c.start_s + len(c) / c.sample_rate_Hz,
                )
                for c in capture.channels
            ),
            capture.sweep,
            tuple(
                float(time_s)
                for c in capture.channels
                if c.kind == "synchronising_pulse"
                for time_s in pulse_times(c)
            ),
        )  # fmt: skip
