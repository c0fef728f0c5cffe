"""Raster: firings one above the other on one time scale, the first on top."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from sigkit.report.figure_style import INK, INSTANT_MARKS, TEXT_POINTS, TRACE, style_axes
from sigkit.report.firing_trace import FiringTrace


def plot_raster(axes: Any, traces: Sequence[FiringTrace], labels: Sequence[str] | None = None) -> list[Any]:
    """Draw firings one above the other, aligned at their switching-off.

    The value scale is common; each line is one step below the one before, and the step is the 95th
    percentile of the largest excursions, so that a firing line may reach into its neighbour's lane.

    Parameters
    ----------
    axes : matplotlib.axes.Axes
    traces : sequence of FiringTrace
        The first is drawn on top.
    labels : sequence of str, optional
        Word at the left of each line; else the firing numbers.

    Returns
    -------
    list of matplotlib.artist.Artist
        The lines in order, then marks.
    """
    style_axes(axes)
    labels = [f"{trace.firing}" for trace in traces] if labels is None else list(labels)
    size = [float(np.max(np.abs(trace.value))) for trace in traces if len(trace.value)]
    step = 0.8 * float(np.percentile(size, 95)) if size else 1.0
    step = step or 1.0
    lines: list[Any] = []
    marks: list[Any] = []
    for lane, trace in enumerate(traces):
        base = -lane * step
        if trace.absent:
            marks.append(
                axes.text(
                    0.5,
                    base,
                    "expected, not found",
                    ha="left",
                    va="center",
                    fontsize=TEXT_POINTS - 1,
                    color=INK,
                )
            )
            continue
        keep = trace.time_ms >= -0.4
        lines += axes.plot(trace.time_ms[keep], trace.value[keep] + base, color=TRACE, linewidth=0.9)
        for name in ("breakdown", "burn_end"):
            if name in trace.instants_ms:
                colour, mark, _ = INSTANT_MARKS[name]
                at = trace.instants_ms[name][0]
                marks += axes.plot(
                    at,
                    trace.mark_height(name) + base,
                    marker=mark,
                    color=colour,
                    markersize=4.5,
                    markeredgecolor="white",
                    markeredgewidth=0.5,
                    linestyle="none",
                )
    axes.set_yticks([-lane * step for lane in range(len(traces))], labels, fontsize=TEXT_POINTS - 1)
    axes.set_xlabel("ms from coil off", fontsize=TEXT_POINTS)
    end = max((float(trace.time_ms[-1]) for trace in traces if len(trace.time_ms)), default=1.0)
    axes.set_xlim(-0.4, end)
    return lines + marks
