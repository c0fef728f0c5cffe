"""Turn fractions of full scale into volts."""

from __future__ import annotations

from sigkit.types.channel import Channel


def with_full_scale(channel: Channel, full_scale_V: float, format: str) -> tuple[Channel, str]:
    """Return the channel with a full scale in volts, and a warning when that cannot be used.

    Parameters
    ----------
    channel : Channel
    full_scale_V : float
        Volts of full scale, positive.
    format : str
        Name of the reader: only WAV samples are fractions of full scale.

    Returns
    -------
    channel : Channel
    warning : str
        ``""`` for none.

    Examples
    --------
    >>> import numpy as np
    >>> with_full_scale(Channel("a", np.array([0.5, 1.0]), 1e5), 20.0, "wav")[0].values().tolist()
    [10.0, 20.0]
    """
    if channel.unit == "V":
        return channel.with_(full_scale=(-full_scale_V, full_scale_V)), ""
    if channel.unit == "" and format == "wav":
        limit = channel.full_scale
        scaled = None if limit is None else (limit[0] * full_scale_V, limit[1] * full_scale_V)
        return channel.with_(scale=channel.scale * full_scale_V, unit="V", full_scale=scaled), ""
    what = "are in amperes" if channel.unit == "A" else "are no fractions of full scale"
    return channel, f"full_scale_V is not used, the samples of channel {channel.name} {what}"
