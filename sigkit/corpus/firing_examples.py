"""Labelled firings as windows on one time grid: what general time-series classifiers take."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sigkit.corpus.dataset import Dataset, recording_of
from sigkit.corpus.label_table import label_rows
from sigkit.errors import DatasetError
from sigkit.prepare.firing_windows import cut_windows
from sigkit.types.channel import Channel
from sigkit.units import samples_from_seconds

#: Window about the switching-off, ms, and points in it (our choice: dwell's end, burn and ring; 12.5 us a point).
BEFORE_MS, AFTER_MS, POINTS = 1.0, 7.0, 640


@dataclass(frozen=True, eq=False)
class FiringExamples:
    """Windows of firings, one row each.

    Attributes
    ----------
    windows : ndarray of float32, shape (n, points)
        Samples about the switching-off, each divided by its own largest magnitude; NaN outside the record.
    peak_V : ndarray of float64, shape (n,)
        That magnitude, in the channel's unit.
    condition, engine, split, capture, channel, reader : ndarray of str, shape (n,)
        ``reader`` is ``truth`` where the class is the simulator's.
    time_s, burn_time_ms : ndarray of float64, shape (n,)
    """

    windows: NDArray[np.float32]
    peak_V: NDArray[np.float64]
    condition: NDArray[np.str_]
    engine: NDArray[np.str_]
    split: NDArray[np.str_]
    capture: NDArray[np.str_]
    channel: NDArray[np.str_]
    reader: NDArray[np.str_]
    time_s: NDArray[np.float64]
    burn_time_ms: NDArray[np.float64]

    def __len__(self) -> int:
        return int(self.time_s.size)


def firing_examples(opened: Dataset, reader: str, points: int = POINTS) -> FiringExamples:
    """Cut the firings to which one reader, or the simulator, gives a condition.

    Parameters
    ----------
    opened : Dataset
    reader : str
        A reader, or ``truth``.
    points : int
        Points of the grid.

    Raises
    ------
    DatasetError
        When there is no such reader, no truth, or no firing with a condition.
    """
    rows = _truth_rows(opened) if reader == "truth" else label_rows(opened, [reader])
    # Several showings of one firing give one example: the first.
    rows = [row for row in rows if row["condition"] not in ("", "unknown") and not row.get("presentation")]
    if not rows:
        raise DatasetError(reader, "gives no firing a condition", "label conditions first, or use another reader")
    parts: list[NDArray] = []
    order: list[int] = []
    by_file: dict[str, list[int]] = {}
    for place, row in enumerate(rows):
        by_file.setdefault(recording_of(row["capture"]), []).append(place)
    for file, places in by_file.items():
        captures = {one.name: one for one in opened.open_file(file)}
        groups: dict[tuple[str, str], list[int]] = {}
        for place in places:
            groups.setdefault((rows[place]["capture"], rows[place]["channel"]), []).append(place)
        for (capture, channel), inside in groups.items():
            found = next(one for one in captures[capture].channels if one.name == channel)
            off = np.array([_about(rows[place]) for place in inside])
            parts.append(windows_on_grid(found, off, points))
            order += inside
    raw = np.concatenate(parts)
    rows = [rows[place] for place in order]
    with np.errstate(invalid="ignore"):
        peak = np.max(np.nan_to_num(np.abs(raw)), axis=1)
    scaled = raw / np.where(peak > 0, peak, 1.0)[:, None]
    text = {name: np.array([str(row[name]) for row in rows]) for name in
            ("condition", "engine", "split", "capture", "channel", "reader")}  # fmt: skip
    return FiringExamples(
        scaled.astype(np.float32), peak, time_s=np.array([row["time_s"] for row in rows]),
        burn_time_ms=np.array([row["burn_time_ms"] for row in rows], dtype=float), **text,
    )  # fmt: skip


def _about(row: dict) -> float:
    off = row.get("coil_off_s")
    return float(off) if off is not None and np.isfinite(off) else float(row["time_s"])


def windows_on_grid(channel: Channel, off_s: NDArray, points: int = POINTS) -> NDArray[np.float64]:
    """Return firings on one time grid about given instants (seconds on the channel's axis); NaN off the record."""
    rate = channel.sample_rate_Hz
    centre = samples_from_seconds(off_s, rate, channel.start_s)
    first = np.floor(centre - BEFORE_MS / 1e3 * rate).astype(np.int64) - 1
    length = int(np.ceil((BEFORE_MS + AFTER_MS) / 1e3 * rate)) + 4
    cut = cut_windows(channel, first, length)
    # Linear interpolation on to the grid: one gather for all firings.
    grid = np.linspace(-BEFORE_MS, AFTER_MS, points) / 1e3 * rate
    where = centre[:, None] + grid - first[:, None]
    low = np.floor(where).astype(np.int64)
    share = where - low
    rows = np.arange(off_s.size)[:, None]
    return np.asarray(cut[rows, low] * (1 - share) + cut[rows, low + 1] * share)


def _truth_rows(opened: Dataset) -> list[dict]:
    table = opened.truth()
    if table is None:
        raise DatasetError("truth.parquet", "is not there", "name a reader instead")
    kept = ["capture", "channel", "engine", "time_s", "coil_off_s", "burn_time_ms", "condition", "kind", "on_record",
            "absent"]  # fmt: skip
    rows = table.select(kept).to_pylist()
    return [{**row, "reader": "truth", "split": opened.splits.get(row["engine"], "")} for row in rows
            if row["kind"] == "secondary_voltage" and row["on_record"] and not row["absent"]]  # fmt: skip
