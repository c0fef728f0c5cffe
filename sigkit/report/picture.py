"""Whole pictures for the page: drawn, said in words and packed as PNG bytes."""

from __future__ import annotations

import base64
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from sigkit.report.figure_style import figure_as_png, new_figure
from sigkit.report.firing_trace import FiringTrace
from sigkit.report.format_value import format_value
from sigkit.report.plot_firing import plot_firing
from sigkit.report.plot_parade import parade_span_ms, plot_parade
from sigkit.report.plot_raster import plot_raster
from sigkit.report.plot_superimposed import plot_superimposed

if TYPE_CHECKING:
    from matplotlib.figure import Figure

#: Firings side by side in one row of a parade; more would be thinner than a phone can show. Our choice.
PARADE_PLACES = 4
#: Lines of a raster and traces of a superimposed picture that can still be told apart. Our choice.
MOST_LINES, MOST_SUPERIMPOSED = 12, 40


@dataclass(frozen=True)
class Picture:
    """A drawn picture.

    Attributes
    ----------
    png : bytes
    caption : str
        One short sentence shown beneath.
    alternative : str
        What the picture shows, in words, for those who do not see it.
    width_px, height_px : int
    """

    png: bytes
    caption: str
    alternative: str
    width_px: int
    height_px: int

    @property
    def data_uri(self) -> str:
        """The picture as an address that holds the picture itself, so the page loads nothing."""
        return "data:image/png;base64," + base64.b64encode(self.png).decode("ascii")


def draw_superimposed(traces: Sequence[FiringTrace]) -> Picture:
    """Draw the firings of one lead over each other (at most `MOST_SUPERIMPOSED`, evenly taken)."""
    shown = _evenly([trace for trace in traces if not trace.absent], MOST_SUPERIMPOSED)
    figure, axes = new_figure(3.0)
    plot_superimposed(axes[0], shown)
    name = traces[0].title
    return _pack(
        figure,
        f"Superimposed: {_count(len(shown), 'firing')} of {name}.",
        f"{_count(len(shown), 'firing')} of {name} drawn over each other. {_medians(traces)}",
    )


def draw_parade(traces: Sequence[FiringTrace]) -> Picture:
    """Draw one firing a lead, side by side, `PARADE_PLACES` in a row.

    Parameters
    ----------
    traces : sequence of FiringTrace
        One a lead, in firing order.
    """
    rows = [traces[start : start + PARADE_PLACES] for start in range(0, len(traces), PARADE_PLACES)]
    figure, axes = new_figure(0.3 + 2.1 * len(rows), len(rows), share_y=True)
    span_ms = parade_span_ms(traces)
    places = min(PARADE_PLACES, len(traces))
    for part, row in zip(axes, rows, strict=True):
        plot_parade(part, row, span_ms, places)
    words = "; ".join(f"{trace.title}: {_one(trace)}" for trace in traces)
    return _pack(
        figure,
        "Parade: one firing of each lead in firing order, with its burn time.",
        f"One firing of each lead side by side. {words}.",
    )


def draw_raster(traces: Sequence[FiringTrace]) -> Picture:
    """Draw the firings of one lead one above the other (at most `MOST_LINES`, evenly taken)."""
    shown = _evenly(traces, MOST_LINES)
    figure, axes = new_figure(0.8 + 0.3 * len(shown))
    plot_raster(axes[0], shown, ["–" if trace.absent else str(trace.firing) for trace in shown])
    axes[0].set_ylabel("firing", fontsize=9)
    absent = sum(trace.absent for trace in shown)
    found, missing = _count(len(shown) - absent, "firing"), f" and {absent} expected, not found" if absent else ""
    name = traces[0].title
    return _pack(
        figure,
        f"Raster: {found} of {name}{missing}, the first on top.",
        f"{found} of {name}{missing}, one above the other. {_medians(traces)}",
    )


def draw_firing(trace: FiringTrace) -> Picture:
    """Draw one firing with its instants, burn line and uncertainty."""
    figure, axes = new_figure(3.5)
    plot_firing(axes[0], trace)
    return _pack(
        figure,
        f"Firing {trace.firing} of {trace.title}; bands are 95 % intervals.",
        f"Firing {trace.firing} of {trace.title} with its instants and burn line: {_one(trace)}.",
    )


def _pack(figure: Figure, caption: str, alternative: str) -> Picture:
    png = figure_as_png(figure)
    # Width and height stand big-endian at bytes 16 to 24 of every PNG (ISO/IEC 15948, IHDR).
    width, height = int.from_bytes(png[16:20], "big"), int.from_bytes(png[20:24], "big")
    return Picture(png, caption, alternative, width, height)


def _evenly(traces: Sequence[FiringTrace], most: int) -> list[FiringTrace]:
    if len(traces) <= most:
        return list(traces)
    return [traces[i] for i in np.unique(np.linspace(0, len(traces) - 1, most).round().astype(int))]


def _count(n: int, word: str) -> str:
    return f"{n} {word}" if n == 1 else f"{n} {word}s"


def _one(trace: FiringTrace) -> str:
    if trace.absent:
        return "expected, not found"
    if str(trace.row.get("sparked", "")) == "no":
        return "no spark"
    parts = []
    burn = float(trace.row.get("burn_time_ms", np.nan))
    if np.isfinite(burn):
        parts.append(f"burn time {format_value(burn, float(trace.row.get('burn_time_u_ms', np.nan)), 'ms')}")
    peak = float(trace.row.get("peak_voltage_V", np.nan))
    if np.isfinite(peak):
        u = float(trace.row.get("peak_voltage_u_V", np.nan)) * abs(trace.kilo_ratio)
        parts.append(f"peak {format_value(peak * trace.kilo_ratio, u, trace.unit)}")
    return ", ".join(parts) or "nothing could be measured"


def _medians(traces: Sequence[FiringTrace]) -> str:
    words = []
    for column, word, unit in (("burn_time_ms", "burn time", "ms"), ("peak_voltage_V", "peak", "")):
        values = np.array([float(trace.row.get(column, np.nan)) for trace in traces])
        values = values[np.isfinite(values)]
        if len(values):
            factor, unit = (traces[0].kilo_ratio, traces[0].unit) if not unit else (1.0, unit)
            words.append(f"median {word} {format_value(float(np.median(values)) * factor, unit=unit)}")
    text = "; ".join(words)
    return f"{text[:1].upper()}{text[1:]}." if text else "Nothing could be measured."
