"""Check one reader's labels against the captures they speak of."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from sigkit.corpus.description import check_origins
from sigkit.corpus.label_record import FiringLabel, LabelRecord
from sigkit.errors import DatasetError


@dataclass(frozen=True)
class ChannelExtent:
    """Where a channel begins and ends on the capture's own time axis, seconds, and its sample rate."""

    start_s: float
    stop_s: float
    sample_rate_Hz: float


#: Channels of a capture by name, None when the data set has no such capture.
Extents = Callable[[str], Mapping[str, ChannelExtent] | None]


def check_labels(records: Sequence[LabelRecord], extents: Extents, declared_origins: object, source: str) -> None:
    """Refuse labels of no capture or channel, outside their capture, or of mixed origins.

    Parameters
    ----------
    records : sequence of FiringLabel or CaptureMark
    extents : callable
        Capture name -> its channels.
    declared_origins : object
        List of origins that the metadata declares for this reader, or None.
    source : str
        File for messages.

    Raises
    ------
    DatasetError
    """
    check_origins("labels", (record.origin for record in records), declared_origins, source)
    for record in records:
        channels = extents(record.capture)
        place = f"entry {record.entry}"
        if channels is None:
            raise DatasetError(source, f"speaks of the capture {record.capture!r}, which is not in the data set",
                               "bring the capture back, or take the label back in the labelling app",
                               place)  # fmt: skip
        if not isinstance(record, FiringLabel):
            continue
        extent = channels.get(record.channel)
        if extent is None:
            raise DatasetError(source, f"speaks of channel {record.channel!r}; {record.capture} has "
                               f"{', '.join(channels)}", "correct or take back the label", place)  # fmt: skip
        slack = 1 / extent.sample_rate_Hz
        for name, instant in _instants(record):
            if not extent.start_s - slack <= instant <= extent.stop_s + slack:
                raise DatasetError(source, f"{name} is {instant:.6f} s, outside {record.capture}, whose channel "
                                   f"{record.channel} runs from {extent.start_s:.6f} to {extent.stop_s:.6f} s",
                                   "correct or take back the label; instants count from the capture's own time axis",
                                   place)  # fmt: skip


def _instants(label: FiringLabel) -> list[tuple[str, float]]:
    found = [("time_s", label.time_s)]
    found += [("coil_on_s", one) for one in label.coil_on_s] + [("coil_off_s", one) for one in label.coil_off_s]
    for start, stop in label.intervals:
        found += [(name, one) for name, one in (("interval start", start), ("interval stop", stop)) if one is not None]
    return found
