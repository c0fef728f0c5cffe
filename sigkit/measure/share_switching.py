"""Instants at which the coil is switched, handed to the channels of the same event that do not show them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from sigkit.types.capture import Capture
from sigkit.types.channel import Channel
from sigkit.types.firings import Firings
from sigkit.types.instants import Instant, Instants
from sigkit.units import samples_from_seconds, seconds_from_samples


def share_switching(capture: Capture, firings: list[Firings], instants: list[Instants]) -> list[Instants]:
    """Fill coil_on and coil_off of coil-current and primary channels from the event's other channels.

    All channels of an event show one switching of one coil; a recorder samples them by one clock. The instant
    with the smallest uncertainty in seconds is taken, from channels of the same coil or of no stated coil.

    Parameters
    ----------
    capture : Capture
    firings, instants : list
        One a channel, in the order of ``capture.channels``.

    Returns
    -------
    list of Instants
        The same objects where nothing was filled.
    """
    result = list(instants)
    for place, channel in enumerate(capture.channels):
        if channel.kind not in ("coil_current", "primary_voltage"):
            continue
        for name in ("coil_on", "coil_off"):
            own: Instant = getattr(result[place], name)
            lost = np.flatnonzero(~np.isfinite(own.position))
            if lost.size:
                filled = _fill(channel, own, lost, name, firings[place], capture, firings, instants)
                whole = result[place]
                result[place] = (
                    replace(whole, coil_on=filled) if name == "coil_on" else replace(whole, coil_off=filled)
                )
    return result


def _fill(
    channel: Channel, own: Instant, lost: np.ndarray, name: str, found: Firings, capture: Capture,
    firings: list[Firings], instants: list[Instants],
) -> Instant:
    """Return the instant with the lost rows filled where another channel shows them."""
    columns = {field: getattr(own, field).copy() for field in ("position", "u", "lo", "hi")}
    flag = own.flag.astype(object)
    rate, start = channel.sample_rate_Hz, channel.start_s
    for row in lost:
        best = np.inf
        for other, rows, given in zip(capture.channels, firings, instants, strict=True):
            alike = not other.coil or not channel.coil or other.coil == channel.coil
            if other is channel or not alike:
                continue
            there: Instant = getattr(given, name)
            same = np.flatnonzero((rows.event == found.event[row]) & np.isfinite(there.position))
            if not same.size or there.u[same[0]] / other.sample_rate_Hz >= best:
                continue
            best = there.u[same[0]] / other.sample_rate_Hz
            for field in ("position", "lo", "hi"):
                at_s = seconds_from_samples(getattr(there, field)[same[0]], other.sample_rate_Hz, other.start_s)
                columns[field][row] = samples_from_seconds(at_s, rate, start)
            columns["u"][row], flag[row] = best * rate, there.flag[same[0]]
    return Instant(**columns, flag=flag)
