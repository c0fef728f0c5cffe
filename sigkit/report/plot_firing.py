"""One firing with its instants, intervals, burn line and their uncertainty."""

from __future__ import annotations

from typing import Any

import numpy as np

from sigkit.report.axis_words import value_label
from sigkit.report.figure_style import INK, INSTANT_MARKS, ORANGE, SKY_BLUE, TEXT_POINTS, TRACE, style_axes
from sigkit.report.firing_trace import FiringTrace
from sigkit.report.format_value import format_value

#: Part of the burn the burn line is fitted over (design: words).
FIT_PART = (0.2, 0.8)


def plot_firing(axes: Any, trace: FiringTrace) -> list[Any]:
    """Draw one firing: trace, instants with their 95 % bands, conduction, burn line with its 95 % band.

    Parameters
    ----------
    axes : matplotlib.axes.Axes
    trace : FiringTrace

    Returns
    -------
    list of matplotlib.artist.Artist
        The trace, then bands, marks and the burn line.
    """
    style_axes(axes)
    artists: list[Any] = list(axes.plot(trace.time_ms, trace.value, color=TRACE, linewidth=1.0))
    for begin, end in trace.intervals_ms:
        artists.append(axes.axvspan(begin, end, ymin=0.0, ymax=0.03, color=SKY_BLUE, linewidth=0))
    for name, (colour, mark, word) in INSTANT_MARKS.items():
        if name not in trace.instants_ms:
            continue
        at, lo, hi = trace.instants_ms[name]
        if np.isfinite(lo) and np.isfinite(hi):
            artists.append(axes.axvspan(lo, hi, color=colour, alpha=0.18, linewidth=0))
        artists.append(axes.axvline(at, color=colour, linewidth=0.8, linestyle="--"))
        artists += axes.plot(
            at,
            trace.mark_height(name),
            marker=mark,
            color=colour,
            markersize=6,
            linestyle="none",
            markeredgecolor="white",
            markeredgewidth=0.6,
            label=word,
            zorder=4,
        )
    artists += _burn_line(axes, trace)
    axes.set_xlabel("ms from coil off", fontsize=TEXT_POINTS)
    axes.set_ylabel(value_label([trace]), fontsize=TEXT_POINTS)
    if len(trace.time_ms):
        axes.set_xlim(float(trace.time_ms[0]), float(trace.time_ms[-1]))
    if axes.get_legend_handles_labels()[1]:
        axes.legend(
            loc="upper center",
            bbox_to_anchor=(0.5, -0.2),
            ncols=3,
            frameon=False,
            fontsize=TEXT_POINTS - 1,
            handletextpad=0.3,
            columnspacing=1.0,
        )
    axes.set_title(_title(trace), fontsize=TEXT_POINTS, color=INK, loc="left")
    return artists


def _burn_line(axes: Any, trace: FiringTrace) -> list[Any]:
    row = trace.row
    voltage, slope = (float(row.get(name, np.nan)) for name in ("burn_voltage_V", "burn_slope_V_per_ms"))
    if not {"breakdown", "burn_end"} <= set(trace.instants_ms) or not np.isfinite(voltage + slope):
        return []
    begin, end = trace.instants_ms["breakdown"][0], trace.instants_ms["burn_end"][0]
    at = begin + np.linspace(*FIT_PART, 31) * (end - begin)
    offset = at - 0.5 * (begin + end)
    sign = np.sign(voltage) or 1.0
    # The slope counts the magnitude (positive when it grows), the trace is signed as recorded.
    baseline = float(row.get("baseline_level", 0.0))
    # Voltages of the table count from the baseline, the trace does not.
    line = (voltage + sign * slope * offset + (baseline if np.isfinite(baseline) else 0.0)) * trace.kilo_ratio
    u_voltage, u_slope = (
        float(row.get(name, np.nan)) for name in ("burn_voltage_u_V", "burn_slope_u_V_per_ms")
    )
    artists: list[Any] = []
    if np.isfinite(u_voltage + u_slope):
        half = 1.96 * np.hypot(u_voltage, u_slope * offset) * abs(trace.kilo_ratio)
        artists.append(axes.fill_between(at, line - half, line + half, color=ORANGE, alpha=0.3, linewidth=0))
    artists += axes.plot(at, line, color=ORANGE, linewidth=1.6, label="burn line", zorder=3)
    return artists


def _title(trace: FiringTrace) -> str:
    row = trace.row
    lines = []
    for name, unit, word in (("burn_time", "ms", "burn time"), ("dwell_time", "ms", "dwell time")):
        value = float(row.get(f"{name}_{unit}", np.nan))
        if np.isfinite(value):
            lines.append(f"{word} {format_value(value, float(row.get(f'{name}_u_{unit}', np.nan)), unit)}")
    factor, unit = abs(trace.kilo_ratio), trace.unit or "V"
    for name, word in (("firing_voltage", "firing voltage"), ("burn_voltage", "burn voltage")):
        value = float(row.get(f"{name}_V", np.nan))
        if np.isfinite(value):
            u = float(row.get(f"{name}_u_V", np.nan))
            bound = "at least " if row.get(f"{name}_flag") == "lower_bound" else ""
            lines.append(f"{word} {bound}{format_value(value * factor, u * factor, unit)}")
    return "\n".join(lines)
