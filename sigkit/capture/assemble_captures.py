"""From the columns of any file to checked captures: time, sweeps, units, warnings, refusals."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from sigkit.capture import limits
from sigkit.capture.check_samples import sample_fault
from sigkit.capture.column_names import ColumnName, kind_from_name, unit_factor
from sigkit.capture.file_facts import FileFacts, pick
from sigkit.capture.time_axis import TimeAxis, UnusableTime, fit_time_axis, sweep_starts
from sigkit.contracts.reader import ReadOptions
from sigkit.errors import CaptureError
from sigkit.types.capture import Capture
from sigkit.types.channel import CHANNEL_KINDS, Channel

#: Relative difference of two rates above which they are said to disagree (our choice).
RATE_DISAGREEMENT = 1e-3


@dataclass(eq=False)
class Origin:
    """Where columns come from, for names and error messages.

    Attributes
    ----------
    source, name, format : str
        As in `Capture`.
    place : callable
        Turns a row number (from 0) into words, such as ``"line 12"``.
    warnings : list of str
        Grows while the file is read.
    """

    source: str
    name: str
    format: str
    place: Callable[[int], str] = lambda row: f"sample {row}"
    warnings: list[str] = field(default_factory=list)

    def error(self, reason: str, remedy: str, place: str = "") -> CaptureError:
        return CaptureError(self.name, reason, remedy, place)


def refuse_reduced(labels: Sequence[ColumnName], origin: Origin) -> None:
    """Refuse columns that are named as the minimum and the maximum of blocks.

    Raises
    ------
    CaptureError
    """
    extremes = {label.extreme for label in labels if label.extreme}
    if {"min", "max"} <= extremes:
        names = ", ".join(label.name for label in labels if label.extreme)
        raise origin.error(
            f"columns {names} hold the minimum and maximum of blocks, not samples: the record was reduced for "
            "display, and the instants and the shape of a firing are lost",
            "export the full record with every sample",
        )


def _refuse_paired(time: NDArray, columns: Sequence[NDArray], origin: Origin) -> None:
    """Refuse time stamps that come in equal pairs of a lower and a higher value."""
    even = len(time) // 2 * 2
    if even < 8:
        return
    first, second = time[:even:2], time[1:even:2]
    if np.any(first != second) or np.any(np.diff(first) <= 0):
        return
    for column in columns:
        rise = column[1:even:2] - np.asarray(column[:even:2])
        if not (np.all(rise >= 0) or np.all(rise <= 0)):
            return
    raise origin.error(
        "time stamps come in equal pairs with a lower and a higher value: the record was reduced to minimum and "
        "maximum for display, and the instants and the shape of a firing are lost",
        "export the full record with every sample", origin.place(0),
    )


def _axis(time: NDArray, label: ColumnName, facts: FileFacts, options: ReadOptions, origin: Origin,
          row: int) -> TimeAxis:
    """Fit one sweep's time column; guess no unit that gives an impossible rate."""
    try:
        axis = fit_time_axis(time, label.factor or 1.0)
    except UnusableTime as fault:
        raise origin.error(fault.reason, "export samples at a constant rate with their full time resolution",
                           origin.place(row + fault.row)) from fault
    if label.factor is None:
        stated = pick(facts.sample_rate_Hz, 0) or options.sample_rate_Hz
        fitting = [factor for factor in (1.0, 1e-3, 1e-6, 1e-9)
                   if stated and abs(axis.sample_rate_Hz / factor / stated - 1) < RATE_DISAGREEMENT]
        if fitting and fitting[0] != 1.0:
            factor = fitting[0]
            origin.warnings.append(f"the time column has no unit; {factor:g} s agrees with the stated sample rate")
            return TimeAxis(float(f"{axis.sample_rate_Hz / factor:.12g}"), axis.start_s * factor, axis.warnings)
        if not fitting and axis.sample_rate_Hz < limits.SLOWEST_UNSTATED_RATE_HZ:
            raise origin.error(
                f"the time column has no unit, and in seconds it would mean {axis.sample_rate_Hz:.4g} samples per "
                "second, too slow for an ignition waveform",
                'write the unit into the header, such as "time (ms)", or give the sample rate in captures.csv',
                origin.place(row))
        origin.warnings.append("the time column has no unit; seconds are assumed")
    return axis


def settle_rate(file_rate: float | None, axis: TimeAxis | None, options: ReadOptions, origin: Origin, n: int) -> float:
    """Settle the sample rate: the file's own words and time stamps win over the sidecar."""
    rate = file_rate
    if axis is not None:
        # A stated rate carries more digits than rounded stamps, as long as it moves nothing by half a sample.
        if rate is None or abs(rate / axis.sample_rate_Hz - 1) * n > 0.5:
            if rate is not None and abs(rate / axis.sample_rate_Hz - 1) > RATE_DISAGREEMENT:
                origin.warnings.append(f"the header says {rate:g} Hz but the time column {axis.sample_rate_Hz:g} Hz; "
                                       "the time column is used")
            rate = axis.sample_rate_Hz
    given = options.sample_rate_Hz
    if rate is None:
        if given is None:
            raise origin.error("the sample rate is not in the file",
                               "give it in the column sample_rate_Hz of captures.csv or with --rate")
        rate = given
    elif given is not None and abs(given / rate - 1) > RATE_DISAGREEMENT:
        origin.warnings.append(f"a sample rate of {given:g} Hz was given but the file says {rate:g} Hz; "
                               "the file is used")
    if not limits.SAMPLE_RATE_HZ[0] <= rate <= limits.SAMPLE_RATE_HZ[1]:
        raise origin.error(f"a sample rate of {rate:g} Hz is not believable",
                           "correct the rate, or the unit of the time column, in the file")
    return float(rate)


def _channel(label: ColumnName, name: str, samples: NDArray, rate: float, start: float, facts: FileFacts,
             position: int, origin: Origin) -> Channel:
    """Make a channel with the scale that the column name or the file gives."""
    factor, zero, unit = 1.0, pick(facts.zero, position) or 0.0, ""
    scale, stated_unit = pick(facts.scale, position), pick(facts.unit, position)
    if scale is not None:
        factor = scale
    quantity = label.quantity if label.quantity in ("voltage", "current") else ""
    if label.factor is not None and quantity:
        unit = "V" if quantity == "voltage" else "A"
        factor *= label.factor
    elif stated_unit:
        known = unit_factor(stated_unit)
        if known and known[0] != "time":
            unit, quantity = ("V" if known[0] == "voltage" else "A"), known[0]
            factor *= known[1]
        else:
            origin.warnings.append(f"channel {name}: {stated_unit!r} is no unit of voltage or current; no scale")
    if label.unit and label.factor is None:
        origin.warnings.append(f"channel {name}: {label.unit!r} is no unit of voltage or current; no scale")
    kind = pick(facts.kind, position)
    low, high = pick(facts.full_scale_low, position), pick(facts.full_scale_high, position)
    full_scale = (low, high) if low is not None and high is not None and np.isfinite([low, high]).all() else None
    return Channel(
        name=name, samples=samples, sample_rate_Hz=rate, start_s=start, scale=factor, zero=zero, unit=unit,
        kind=kind if kind in CHANNEL_KINDS else kind_from_name(name, quantity), full_scale=full_scale,
    )


def _unique(names: list[str], origin: Origin) -> list[str]:
    """Return names made unique by a number, with a warning."""
    result: list[str] = []
    for position, name in enumerate(names):
        name = name or f"channel_{position + 1}"
        if name in result:
            other = next(f"{name} ({count})" for count in range(2, len(names) + 2)
                         if f"{name} ({count})" not in result)
            origin.warnings.append(f"two channels are called {name!r}; the later one is now {other!r}")
            name = other
        result.append(name)
    return result


def finish_capture(channels: Sequence[Channel], facts: FileFacts, origin: Origin, sweep: int = 0,
                   place: str = "") -> Capture:
    """Check the samples of every channel and make the capture.

    A channel with missing samples is left out with a warning when others are sound, and the capture is refused
    when none is. A constant channel stays beside others, with a warning: a dead lead is a finding. Metadata
    ``channels_in_file`` keeps the order of the file when a channel was left out.

    Raises
    ------
    CaptureError
        When no channel carries a signal.
    """
    if not channels:
        raise origin.error("no channel found", "export at least one column or array of samples", place)
    if len(channels) > limits.CHANNELS:
        raise origin.error(f"{len(channels)} channels, more than the {limits.CHANNELS} a recording may have",
                           "store the samples of one channel along the longer side of the array", place)
    sound: list[Channel] = []
    warnings = list(dict.fromkeys(origin.warnings))
    faults: list[str] = []
    signal = False
    for channel in channels:
        code, words = sample_fault(channel.samples)
        if code in ("type", "short", "missing"):
            faults.append(f"channel {channel.name}: {words}")
            warnings.append(f"channel {channel.name} was left out: {words}")
            continue
        if code == "constant":
            faults.append(f"channel {channel.name}: {words}")
            warnings.append(f"channel {channel.name} is constant: {words}")
        else:
            signal = True
        sound.append(channel)
    if not signal:
        raise origin.error("no usable signal: " + "; ".join(faults[:4]),
                           "check the pickup and the export, and record again; missing samples are not filled in",
                           place)
    metadata = dict(facts.text)
    if len(sound) < len(channels):
        metadata["channels_in_file"] = "|".join(channel.name for channel in channels)
    return Capture(
        name=origin.name + (f"#sweep-{sweep}" if sweep else ""), channels=tuple(sound), source=origin.source,
        format=origin.format, recording=origin.name, sweep=sweep, engine_speed_rpm=facts.engine_speed_rpm,
        time_origin=facts.time_origin, metadata=metadata, warnings=tuple(warnings + facts.faults),
    )


def captures_from_columns(labels: Sequence[ColumnName], columns: Sequence[NDArray], facts: FileFacts,
                          options: ReadOptions, origin: Origin, sweep_rows: Sequence[int] = ()) -> list[Capture]:
    """Make captures of the columns of a file.

    A time column rules the value columns behind it, up to the next time column. Sweeps are split where
    ``sweep_rows`` says and where time jumps back.

    Parameters
    ----------
    labels : sequence of ColumnName, one a column
    columns : sequence of ndarray, each of shape (n,)
        Columns ruled by a time column have its length; others may differ.
    facts : FileFacts
        Per-channel entries count the value columns only.
    options : ReadOptions
    origin : Origin
    sweep_rows : sequence of int
        First rows of further sweeps, for columns with or without time.

    Returns
    -------
    list of Capture

    Raises
    ------
    CaptureError
    """
    refuse_reduced(labels, origin)
    values = [position for position, label in enumerate(labels) if label.quantity not in ("time", "index")]
    times = [position for position, label in enumerate(labels) if label.quantity == "time"]
    skipped = [label.name for label in labels if label.quantity == "index"]
    if skipped:
        origin.warnings.append(f"column {', '.join(skipped)} holds a running number and is no channel")
    if not values:
        raise origin.error("no column of samples, only time", "export the voltage beside the time")
    names = [pick(facts.name, order) if len(facts.name) == len(values) else labels[position].name
             for order, position in enumerate(values)]
    names = _unique(names, origin)
    common = list(sweep_rows)
    if times:
        time = np.asarray(columns[times[0]])
        _refuse_paired(time, [np.asarray(columns[position]) for position in values
                              if len(columns[position]) == len(time)], origin)
        starts = sweep_starts(time)
        # More backward steps than a tenth of the rows is no stack of sweeps but a broken column.
        if len(starts) > min(limits.SWEEPS, max(len(time) // 10, 2)):
            raise origin.error(f"time runs backwards in {len(starts) - 1} places",
                               "export one record with increasing time", origin.place(int(starts[1])))
        common = sorted({*common, *starts[1:].tolist()})
    edges = [0, *common, None]
    several = len(common) > 0
    captures = []
    shared = list(origin.warnings)
    for sweep, (begin, end) in enumerate(zip(edges[:-1], edges[1:], strict=True), start=1):
        origin.warnings = list(shared)
        channels = []
        axes: dict[int, TimeAxis] = {}
        for order, position in enumerate(values):
            ruling = max((t for t in times if t < position), default=times[0] if times else -1)
            samples = columns[position][begin:end]
            axis = None
            if ruling >= 0:
                if ruling not in axes:
                    axes[ruling] = _axis(np.asarray(columns[ruling][begin:end]), labels[ruling], facts, options,
                                         origin, int(begin or 0))
                    origin.warnings.extend(axes[ruling].warnings)
                axis = axes[ruling]
            rate = settle_rate(pick(facts.sample_rate_Hz, order), axis, options, origin, len(samples))
            stated_start = pick(facts.start_s, order)
            start = axis.start_s if axis else (stated_start or 0.0)
            # The stated start carries more digits than a rounded column.
            if axis and not several and stated_start is not None and abs(stated_start - start) * rate < 0.5:
                start = stated_start
            channels.append(_channel(labels[position], names[order], samples, rate, start, facts, order, origin))
        place = f"sweep {sweep}, {origin.place(int(begin or 0))}" if several else ""
        captures.append(finish_capture(channels, facts, origin, sweep if several else 0, place))
    return captures
