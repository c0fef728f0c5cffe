"""The firings of one lead drawn over each other, their instants marked."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from sigkit.report.axis_words import value_label
from sigkit.report.figure_style import INSTANT_MARKS, TEXT_POINTS, TRACE, style_axes
from sigkit.report.firing_trace import FiringTrace


def plot_superimposed(axes: Any, traces: Sequence[FiringTrace], dwell: bool = False) -> list[Any]:
    """Draw the firings of one lead over each other, all aligned at their switching-off.

    Parameters
    ----------
    axes : matplotlib.axes.Axes
    traces : sequence of FiringTrace
        Firings of one lead; expected but absent ones are left out.
    dwell : bool
        Show the dwell too; without it the breakdown and the burn get the whole width.

    Returns
    -------
    list of matplotlib.artist.Artist
        The lines, then the marks of each instant that any firing has.
    """
    shown = [trace for trace in traces if not trace.absent and len(trace.time_ms)]
    style_axes(axes)
    artists: list[Any] = []
    alpha = float(np.clip(4.0 / max(len(shown), 1), 0.12, 0.9))
    for trace in shown:
        artists += axes.plot(trace.time_ms, trace.value, color=TRACE, alpha=alpha, linewidth=0.9)
    for name, (colour, mark, word) in INSTANT_MARKS.items():
        if name == "coil_on" and not dwell:
            continue
        at = [trace.instants_ms[name][0] for trace in shown if name in trace.instants_ms]
        height = [trace.mark_height(name) for trace in shown if name in trace.instants_ms]
        if at:
            artists += axes.plot(
                at,
                height,
                linestyle="none",
                marker=mark,
                color=colour,
                markersize=5,
                markeredgecolor="white",
                markeredgewidth=0.5,
                label=word,
                zorder=3,
            )
    axes.set_xlabel("ms from coil off", fontsize=TEXT_POINTS)
    axes.set_ylabel(value_label(shown), fontsize=TEXT_POINTS)
    if shown:
        begin = min(float(trace.time_ms[0]) for trace in shown) if dwell else -0.4
        axes.set_xlim(begin, max(float(trace.time_ms[-1]) for trace in shown))
    if any(artist.get_label() and not artist.get_label().startswith("_") for artist in artists):
        axes.legend(
            loc="upper center",
            bbox_to_anchor=(0.5, -0.22),
            ncols=2 if dwell else 3,
            frameon=False,
            fontsize=TEXT_POINTS - 1,
            handletextpad=0.2,
            columnspacing=1.0,
        )
    return artists
