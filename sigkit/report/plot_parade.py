"""Parade: one firing of each lead side by side in firing order, on one time and one value scale."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from sigkit.report.axis_words import short_name, value_label
from sigkit.report.figure_style import FAINT, INK, INSTANT_MARKS, TEXT_POINTS, TRACE, style_axes
from sigkit.report.firing_trace import FiringTrace

#: What is shown of each firing, ms about its switching-off; the dwell is left out. Our choice.
BEFORE_MS, GAP_MS = 0.3, 0.35


def parade_span_ms(traces: Sequence[FiringTrace]) -> float:
    """Return the width one firing takes in a parade, ms: the longest trace after coil off and a gap."""
    longest = max((float(trace.time_ms[-1]) for trace in traces if len(trace.time_ms)), default=1.0)
    return BEFORE_MS + longest + GAP_MS


def plot_parade(
    axes: Any, traces: Sequence[FiringTrace], span_ms: float | None = None, places: int = 0
) -> list[Any]:
    """Draw one firing of each lead side by side, in the order given.

    Parameters
    ----------
    axes : matplotlib.axes.Axes
    traces : sequence of FiringTrace
        One a lead, in firing order. An absent firing keeps its place and is said so in words.
    span_ms : float, optional
        Width of one place in ms; give it where several parades share a scale (`parade_span_ms`).
    places : int
        Number of places on the axes, where more than there are traces.

    Returns
    -------
    list of matplotlib.artist.Artist
        The lines in order, then marks.
    """
    style_axes(axes)
    axes.grid(False, axis="x")
    span = parade_span_ms(traces) if span_ms is None else span_ms
    lines: list[Any] = []
    marks: list[Any] = []
    for place, trace in enumerate(traces):
        offset = place * span
        if trace.absent:
            marks.append(
                axes.text(
                    offset + span / 2,
                    0.5,
                    "expected,\nnot found",
                    transform=axes.get_xaxis_transform(),
                    ha="center",
                    va="center",
                    fontsize=TEXT_POINTS - 1,
                    color=INK,
                )
            )
            continue
        keep = trace.time_ms >= -BEFORE_MS
        lines += axes.plot(trace.time_ms[keep] + offset, trace.value[keep], color=TRACE, linewidth=1.0)
        for name in ("breakdown", "burn_end"):
            if name in trace.instants_ms:
                colour, mark, _ = INSTANT_MARKS[name]
                at = trace.instants_ms[name][0]
                marks += axes.plot(
                    at + offset,
                    trace.mark_height(name),
                    marker=mark,
                    color=colour,
                    markersize=5,
                    markeredgecolor="white",
                    markeredgewidth=0.5,
                    linestyle="none",
                )
    for edge in range(1, max(places, len(traces))):
        axes.axvline(edge * span - BEFORE_MS - GAP_MS / 2, color=FAINT, linewidth=0.6, linestyle=":")
    centre = [place * span + span / 2 - BEFORE_MS for place in range(len(traces))]
    axes.set_xticks(centre, [_words(trace) for trace in traces], fontsize=TEXT_POINTS - 1)
    axes.tick_params(axis="x", length=0)
    axes.set_xlim(-BEFORE_MS - GAP_MS / 2, max(places, len(traces), 1) * span - BEFORE_MS - GAP_MS / 2)
    axes.set_ylabel(value_label(traces), fontsize=TEXT_POINTS)
    return lines + marks


def _words(trace: FiringTrace) -> str:
    burn_ms = float(trace.row.get("burn_time_ms", np.nan))
    if trace.absent:
        return f"{short_name(trace)}\nabsent"
    if str(trace.row.get("sparked", "")) == "no":
        return f"{short_name(trace)}\nno spark"
    return (
        f"{short_name(trace)}\n{burn_ms:.2f} ms" if np.isfinite(burn_ms) else f"{short_name(trace)}\nburn –"
    )
