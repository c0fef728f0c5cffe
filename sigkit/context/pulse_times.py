"""When the pulses of a synchronising channel begin."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sigkit.types.channel import Channel

#: A channel shows pulses when no more than this share of its samples lies in the middle half of its span (our choice:
#: of normal noise alone nearly all does).
MOST_BETWEEN = 0.2
#: Shortest pulse, seconds and samples (our choice: shorter ones are noise of the last digit).
SHORTEST_S, FEWEST_SAMPLES = 1e-4, 3
#: Samples read at a time.
BLOCK = 1 << 20


def pulse_times(channel: Channel) -> NDArray[np.float64]:
    """Return the beginnings of pulses, seconds on the capture's axis; none where the channel shows none.

    A channel rests at the level it has for more than half of the time: pulses go up or down from there.

    Examples
    --------
    >>> record = np.zeros(1000)
    >>> record[300:320] = 5.0
    >>> pulse_times(Channel("s", record, 1e4, kind="synchronising_pulse")).round(4).tolist()
    [0.03]
    """
    starts = range(0, len(channel), BLOCK)
    if not starts:
        return np.zeros(0)
    parts = (channel.values(at, at + BLOCK) for at in starts)
    ranges = [(np.fmin.reduce(part), np.fmax.reduce(part)) for part in parts]
    low, high = min(a for a, _ in ranges), max(b for _, b in ranges)
    quarter = 0.25 * (high - low)
    between, was_up = 0, False
    edges: list[NDArray[np.int64]] = []
    for at in starts:
        values = channel.values(at, at + BLOCK)
        between += int(np.sum((values > low + quarter) & (values < high - quarter)))
        up = np.concatenate([[was_up], values > low + 2.0 * quarter])
        edges.append(at + np.flatnonzero(up[1:] != up[:-1]))
        was_up = bool(up[-1])
    turns = np.concatenate([*edges, np.full(int(was_up), len(channel), dtype=np.int64)])
    if 2 * np.sum(turns[1::2] - turns[::2]) > len(channel):
        # It rests high: what is between the highs counts.
        turns = np.setxor1d(turns, [0, len(channel)])
    begins, ends = turns[::2], turns[1::2]
    if not begins.size or between > MOST_BETWEEN * len(channel):
        return np.zeros(0)
    long = ends - begins >= max(FEWEST_SAMPLES, SHORTEST_S * channel.sample_rate_Hz)
    if np.mean(long) < 0.5:
        return np.zeros(0)
    # A pulse that is up at the first sample began before it.
    return np.asarray(channel.start_s + begins[long & (begins > 0)] / channel.sample_rate_Hz)
