"""Shape of firings as scale-free numbers, cut from the samples about coil_off, breakdown and burn_end.

The unit of a channel is often unknown, so every level is divided by the firing's own burn level (its peak where
nothing burned) and turned so that the firing line is positive.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from sigkit.features.matrix_pencil import strongest_oscillation
from sigkit.features.wavelet_energy import WaveletEnergy
from sigkit.measure.firing_windows import FiringWindows
from sigkit.measure.measured_capture import MeasuredCapture
from sigkit.measure.take_columns import take_columns
from sigkit.measure.window_batch import WindowBatch
from sigkit.prepare.block_means import block_means
from sigkit.prepare.block_summary import summarise_blocks
from sigkit.prepare.channel_condition import condition_channel
from sigkit.types.channel import Channel
from sigkit.types.firings import Firings
from sigkit.types.instants import Instants

#: Channels whose firings have a shape.
LEAD_KINDS = ("secondary_voltage", "unknown")
#: Places along the burn at which its level is taken, as shares of the burn time, each over 6 % of it (our choice).
BURN_SHARES = (0.05, 0.1, 0.2, 0.35, 0.5, 0.65, 0.8, 0.9, 0.95)
#: Places along the rise from coil_off to breakdown (our choice).
RISE_SHARES = (0.25, 0.5, 0.75)
#: Windows about coil_off (seconds) and octaves (hertz) of the wavelet energies (our choice: rise and collapse,
#: early burn, late burn and ring).
WAVELET_WINDOWS_S = ((0.0, 0.3e-3), (0.3e-3, 1.2e-3), (1.2e-3, 3.0e-3))
WAVELET_BANDS_HZ = tuple((1000.0 * 2.0**k, 2000.0 * 2.0**k) for k in range(7))
#: Rows for the wavelets begin so long before coil_off and end so long after it (our choice).
WAVELET_ROW_S = (-0.1e-3, 3.1e-3)
#: Length of ring handed to the matrix pencil, seconds (our choice: four turns of 2 kHz), and the rate rows are
#: brought down to by means over whole numbers of samples.
RING_S, WORKING_RATE_HZ = 2e-3, 512e3
#: Frequencies in which a ring is looked for (our choice: coils ring at 3 to 20 kHz, common practice, no source).
RING_BAND_HZ = (800.0, 40_000.0)


def shape_columns() -> tuple[str, ...]:
    """Return the names of the columns that `add_shape_columns` adds, each beginning with ``shape_``.

    Examples
    --------
    >>> shape_columns()[0]
    'shape_rise_time_us'
    """
    return (
        "shape_rise_time_us", "shape_dwell_level", "shape_dwell_kick", "shape_after_breakdown", "shape_overshoot_after",
        "shape_undershoot_after", "shape_ring_frequency_Hz", "shape_ring_damping_ratio",
        *(f"shape_rise_at_{round(100 * share)}_percent" for share in RISE_SHARES),
        *(f"shape_burn_at_{round(100 * share)}_percent" for share in BURN_SHARES),
        *(f"shape_log10_power_{low:g}_{high:g}_Hz_from_{begin * 1e3:g}_to_{end * 1e3:g}_ms"
          for begin, end in WAVELET_WINDOWS_S for low, high in WAVELET_BANDS_HZ),
    )  # fmt: skip


def add_shape_columns(measured: MeasuredCapture) -> MeasuredCapture:
    """Return the measured capture with the shape of every firing added to its table.

    Parameters
    ----------
    measured : MeasuredCapture
        With the samples of its capture.

    Returns
    -------
    MeasuredCapture
        The columns of `shape_columns`, NaN where something is missing: no spark, another kind of channel, cut
        records, bands above half the sample rate.
    """
    names = shape_columns()
    parts = [np.zeros((0, len(names)))]
    for channel, firings, instants in zip(
        measured.capture.channels, measured.firings, measured.instants, strict=True
    ):
        if channel.kind in LEAD_KINDS and channel.unit != "A" and len(firings):
            parts.append(firing_shapes(channel, firings, instants))
        else:
            parts.append(np.full((len(firings), len(names)), np.nan))
    whole = np.concatenate(parts)
    return replace(measured, table={**measured.table, **{name: whole[:, k] for k, name in enumerate(names)}})


def firing_shapes(channel: Channel, firings: Firings, instants: Instants) -> NDArray[np.float64]:
    """Return the shape of the firings of one channel, shape (n, len(shape_columns())).

    Parameters
    ----------
    channel : Channel
        A secondary voltage, or of unknown kind.
    firings : Firings
    instants : Instants
        Row by row those of ``firings``.
    """
    condition = condition_channel(channel, summarise_blocks(channel))
    result = np.full((len(firings), len(shape_columns())), np.nan)
    for batch in FiringWindows(channel, firings, instants, condition).batches():
        result[batch.rows] = _batch_shapes(batch, channel.sample_rate_Hz, firings.polarity[batch.rows].astype(float))
    return result


def _batch_shapes(batch: WindowBatch, rate_Hz: float, sign: NDArray) -> NDArray[np.float64]:
    peak, sign = _peak(batch, sign)
    upright = batch.value * sign[:, None]
    burning = batch.burn_end - batch.breakdown
    middle = _mean(upright, batch.breakdown + 0.3 * burning, batch.breakdown + 0.7 * burning)
    scale = np.where(middle > 0, middle, peak)
    scale = np.where(scale > 0, scale, np.nan)
    rise = batch.breakdown - batch.off
    ms = 1e-3 * rate_Hz
    columns = [
        rise / rate_Hz * 1e6,
        # The coil's step at switch-on is of opposite sign; it scales with turns and supply, not with the gap.
        -_mean(upright, batch.on + 0.1 * ms, np.minimum(batch.on + 0.5 * ms, batch.off)) / scale,
        _extreme(-upright, batch.on, batch.on + 0.3 * ms) / scale,
        _mean(upright, batch.breakdown + 1.0, batch.breakdown + np.maximum(0.03 * ms, 3.0)) / scale,
        _extreme(upright, batch.burn_end, batch.burn_end + 0.4 * ms) / scale,
        _extreme(-upright, batch.burn_end, batch.burn_end + 0.4 * ms) / scale,
        *_ring(batch, upright, rate_Hz).T,
        *(_at(upright, np.where(rise > 4, batch.off + share * rise, np.nan)) / np.where(peak > 0, peak, np.nan)
          for share in RISE_SHARES),
        *(_mean(upright, batch.breakdown + (share - 0.03) * burning, batch.breakdown + (share + 0.03) * burning) / scale
          for share in BURN_SHARES),
    ]  # fmt: skip
    return np.column_stack([*columns, _wavelets(batch, upright / scale[:, None], rate_Hz)])


def _peak(batch: WindowBatch, sign: NDArray) -> tuple[NDArray, NDArray]:
    """Largest magnitude from coil_off on, and the sign of the firing, from the peak where it is not known."""
    live = np.isfinite(batch.value) & (np.arange(batch.value.shape[1]) >= batch.off[:, None] - 2)
    value = np.where(live, batch.value, 0.0)
    extreme = value[np.arange(len(value)), np.abs(value).argmax(axis=1)]
    return np.abs(extreme), np.where(sign == 0, np.where(extreme < 0, -1.0, 1.0), sign)


def _mean(value: NDArray, begin: NDArray, end: NDArray) -> NDArray[np.float64]:
    """Return row means over ``begin <= column < end``, at least one sample; NaN where a limit is."""
    known = np.isfinite(begin) & np.isfinite(end)
    n, m = value.shape
    low = np.clip(np.ceil(np.where(known, begin, 0)), 0, m).astype(np.int64)
    high = np.clip(np.maximum(np.ceil(np.where(known, end, 0)), low + 1), 0, m).astype(np.int64)
    # Limits of stretches, and so of what lies between them, in all rows as one; the last may be the very end.
    limits = (np.stack([np.minimum(low, m - 1), high], axis=1) + m * np.arange(n)[:, None]).ravel()
    total = np.add.reduceat(value.ravel(), limits[:-1] if limits[-1] == value.size else limits)[::2]
    result = np.where(known & (high > low), total / np.maximum(high - low, 1), np.nan)
    holes = np.flatnonzero(known & ~np.isfinite(result))
    if holes.size:
        part = take_columns(value[holes], low[holes], high[holes])
        count = np.isfinite(part).sum(axis=1)
        result[holes] = np.where(count > 0, np.nansum(part, axis=1) / np.maximum(count, 1), np.nan)
    return result


def _extreme(value: NDArray, begin: NDArray, end: NDArray) -> NDArray[np.float64]:
    part = take_columns(value, begin, end)
    return np.where(np.isfinite(part).any(axis=1), np.where(np.isfinite(part), part, -np.inf).max(axis=1), np.nan)


def _at(value: NDArray, place: NDArray) -> NDArray[np.float64]:
    """Return rows at float columns, by straight lines between samples."""
    known = np.isfinite(place)
    low = np.clip(np.floor(np.where(known, place, 0)), 0, max(value.shape[1] - 2, 0)).astype(np.int64)
    row = np.arange(len(low))
    first, second = value[row, low], value[row, np.minimum(low + 1, value.shape[1] - 1)]
    return np.where(known, first + (second - first) * (np.where(known, place, 0) - low), np.nan)


def _thinned(rows: NDArray, rate_Hz: float) -> tuple[NDArray, float]:
    """Bring rows down to about the working rate by means over whole numbers of samples."""
    step = max(1, int(rate_Hz // WORKING_RATE_HZ))
    whole = rows.shape[1] // step * step
    if step == 1 or whole == 0:
        return rows, rate_Hz
    return block_means(rows, step), rate_Hz / step


def _fixed(value: NDArray, begin: NDArray, width: int) -> NDArray[np.float64]:
    """Cut rows of one width that begin at whole columns; NaN outside the window."""
    known = np.isfinite(begin)
    column = np.round(np.where(known, begin, 0)).astype(np.int64)[:, None] + np.arange(width)
    inside = known[:, None] & (column >= 0) & (column < value.shape[1])
    return np.where(inside, np.take_along_axis(value, np.clip(column, 0, value.shape[1] - 1), axis=1), np.nan)


def _ring(batch: WindowBatch, upright: NDArray, rate_Hz: float) -> NDArray[np.float64]:
    start = np.where(np.isfinite(batch.burn_end), np.ceil(batch.burn_end) + 1, np.nan)
    rows, rate = _thinned(_fixed(upright, start, max(int(RING_S * rate_Hz), 1)), rate_Hz)
    if rows.shape[1] < 16:
        return np.full((len(rows), 2), np.nan)
    return strongest_oscillation(rows, rate, RING_BAND_HZ)


def _wavelets(batch: WindowBatch, relative: NDArray, rate_Hz: float) -> NDArray[np.float64]:
    """Logarithm of the mean power in each band and window, relative to the square of the burn level."""
    begin = batch.off + WAVELET_ROW_S[0] * rate_Hz
    width = int((WAVELET_ROW_S[1] - WAVELET_ROW_S[0]) * rate_Hz)
    rows, rate = _thinned(_fixed(relative, begin, max(width, 1)), rate_Hz)
    # Stretches that the window does not hold count as settled as long as coil_off itself is on it.
    rows = np.where(np.isfinite(rows), rows, 0.0)
    extractor = WaveletEnergy(
        sample_rate_Hz=rate, row_start_s=WAVELET_ROW_S[0], bands_Hz=WAVELET_BANDS_HZ, windows_s=WAVELET_WINDOWS_S
    )
    energy = extractor.fit_transform(rows)
    length_s = np.repeat([end - begin for begin, end in WAVELET_WINDOWS_S], len(WAVELET_BANDS_HZ))
    power = np.where(np.isfinite(relative).any(axis=1)[:, None], energy / length_s, np.nan)
    return np.log10(np.maximum(power, 1e-12))
