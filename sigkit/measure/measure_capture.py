"""From a capture to its firing table: detect, locate, measure."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sigkit import registry
from sigkit.contracts.detector import Detector
from sigkit.contracts.locator import Locator
from sigkit.measure.combine_event import combine_event
from sigkit.measure.measure_firings import COUPLING_U, measure_firings
from sigkit.measure.measured_capture import MeasuredCapture
from sigkit.measure.share_switching import share_switching
from sigkit.types.capture import Capture
from sigkit.types.channel import Channel
from sigkit.types.firing_table import INTERVAL_COLUMNS, Table, all_columns, concatenate, empty_table
from sigkit.types.firings import Firings
from sigkit.types.instants import Instants
from sigkit.types.measurements import QUANTITIES, Measurements
from sigkit.units import seconds_from_samples

#: Built-in detector and locator.
DETECTOR = "block_activity"
LOCATOR = "instant_networks"
#: Instants that give the time of a firing, best first.
_TIMED_BY = ("coil_off", "breakdown")


def measure_capture(
    capture: Capture, detector: Detector | None = None, locator: Locator | None = None
) -> MeasuredCapture:
    """Detect, locate and measure every firing of a capture.

    Parameters
    ----------
    capture : Capture
    detector, locator : optional
        Anything that meets `sigkit.contracts`; the built-in ones by default.

    Returns
    -------
    MeasuredCapture

    Examples
    --------
    >>> quiet = Channel("1", np.random.default_rng(0).normal(size=5000), 1e5, unit="V")
    >>> len(measure_capture(Capture("a", (quiet,))).table["firing"])
    0
    """
    detector = registry.load("detectors", DETECTOR)() if detector is None else detector
    locator = registry.load("locators", LOCATOR)() if locator is None else locator
    firings = detector.detect(capture)
    tables, intervals = [], []
    instants = [locator.locate(channel, found) for channel, found in zip(capture.channels, firings, strict=True)]
    instants = share_switching(capture, firings, instants)
    for channel, found, located in zip(capture.channels, firings, instants, strict=True):
        # Without shared coils no two leads fire at the same time.
        coupling_u = 0.0 if capture.ignition_type in ("coil_on_plug", "distributor") else COUPLING_U
        measured = measure_firings(channel, found, located, coupling_u=coupling_u)
        tables.append(channel_table(capture, channel, found, located, measured))
        intervals.append(interval_table(capture, channel, located))
    whole = {name: np.concatenate([part[name] for part in intervals]) for name in INTERVAL_COLUMNS}
    return MeasuredCapture(capture, combine_event(concatenate(tables)), whole, firings, instants)


def channel_table(
    capture: Capture, channel: Channel, firings: Firings, instants: Instants, measured: Measurements
) -> Table:
    """Return the firing table of one channel; what context and classification add is left empty."""
    n = len(firings)
    table = empty_table(n)
    for name, value in (
        ("capture", capture.name), ("channel", channel.name), ("engine", capture.engine),
        ("coil", channel.coil), ("cylinder", channel.cylinder or channel.lead), ("role", "unknown"),
        ("condition", "unknown"),
    ):  # fmt: skip
        table[name][:] = value
    table["firing"] = np.arange(n)
    table["event"] = firings.event.astype(np.int64)
    table["polarity"] = firings.polarity.astype(np.int64)
    table["sparked"] = instants.sparked.astype(object)
    table["conduction_intervals"] = measured.conduction_intervals
    table["flags"] = measured.flags.astype(object)
    table["time_s"] = _time(channel, firings, instants)
    if capture.engine_speed_rpm is not None:
        table["engine_speed_rpm"][:] = capture.engine_speed_rpm
    for spec in QUANTITIES:
        column = measured.columns[spec.name]
        table[spec.column], table[spec.u_column] = column.value, column.u
        table[spec.lo_column], table[spec.hi_column] = column.lo, column.hi
        table[spec.flag_column] = column.flag.astype(object)
    table = {name: table[name] for name in all_columns()}
    table.update(measured.extra)
    table["channel_kind"] = np.full(n, channel.kind, dtype=object)
    table["lead"] = np.full(n, channel.lead, dtype=object)
    table["sample_rate_Hz"] = np.full(n, channel.sample_rate_Hz)
    table["pickup_ratio"] = np.full(n, np.nan if channel.pickup_ratio is None else channel.pickup_ratio)
    return table


def interval_table(capture: Capture, channel: Channel, instants: Instants) -> Table:
    """Return the conduction intervals of one channel as a table, instants in seconds."""
    found = instants.intervals
    rate, start = channel.sample_rate_Hz, channel.start_s
    order = np.lexsort((found.start, found.strike, found.firing))
    firing = found.firing[order]
    new = np.concatenate([[True], np.diff(firing) != 0]) if firing.size else np.zeros(0, dtype=bool)
    first = np.flatnonzero(new)
    number = np.arange(firing.size) - np.repeat(first, np.diff(np.append(first, firing.size)))
    return {
        "capture": np.full(firing.size, capture.name, dtype=object),
        "channel": np.full(firing.size, channel.name, dtype=object),
        "firing": firing,
        "strike": found.strike[order],
        "interval": number,
        "start_s": seconds_from_samples(found.start[order], rate, start),
        "stop_s": seconds_from_samples(found.stop[order], rate, start),
        "start_u_s": found.start_u[order] / rate,
        "stop_u_s": found.stop_u[order] / rate,
    }


def _time(channel: Channel, firings: Firings, instants: Instants) -> NDArray[np.float64]:
    """Best single time of each firing, always present: switching-off, else breakdown, else the detector's."""
    best = firings.position.astype(float)
    for name in reversed(_TIMED_BY):
        position = getattr(instants, name).position
        best = np.where(np.isfinite(position), position, best)
    return seconds_from_samples(best, channel.sample_rate_Hz, channel.start_s)
