"""Colours, marks and sizes of every picture, and figures that need no plotting state."""

from __future__ import annotations

import io
from typing import Any

from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

# Eight colours told apart by people with any of the usual colour-vision deficiencies: Okabe & Ito,
# "Color Universal Design" (2002, revised 2008); values from memory.
BLACK, ORANGE, SKY_BLUE, GREEN = "#000000", "#E69F00", "#56B4E9", "#009E73"
YELLOW, BLUE, VERMILION, PURPLE = "#F0E442", "#0072B2", "#D55E00", "#CC79A7"

PAPER = "#FFFFFF"
INK = "#222222"
FAINT = "#8A8A8A"
TRACE = "#3B5B76"

#: Instant -> colour, mark and word. The mark differs as well as the colour, so neither is needed alone.
INSTANT_MARKS = {
    "coil_on": (GREEN, "^", "coil on"),
    "coil_off": (BLUE, "s", "coil off"),
    "breakdown": (VERMILION, "v", "breakdown"),
    "burn_end": (PURPLE, "o", "burn end"),
}

#: A picture is drawn 4.2 inches wide at 200 dots an inch (840 dots): shown 360 CSS pixels wide on a
#: phone, its 9 point text is still about 11 CSS pixels high. Our choice.
WIDTH_IN = 4.2
DOTS_PER_INCH = 200
TEXT_POINTS = 9.0


def new_figure(height_in: float, rows: int = 1, share_y: bool = False) -> tuple[Figure, list[Any]]:
    """Return a figure with its axes one above the other, drawn without pyplot.

    Parameters
    ----------
    height_in : float
        Height of the whole figure in inches.
    rows : int
        Number of axes, 1 or more.
    share_y : bool
        Give all axes one value scale.

    Returns
    -------
    figure : matplotlib.figure.Figure
    axes : list of matplotlib.axes.Axes, length ``rows``
    """
    figure = Figure(figsize=(WIDTH_IN, height_in), dpi=DOTS_PER_INCH, layout="constrained", facecolor=PAPER)
    FigureCanvasAgg(figure)
    grid = figure.subplots(rows, 1, squeeze=False, sharey=share_y)
    return figure, [row[0] for row in grid]


def style_axes(axes: Any) -> None:
    """Give axes the plain look of the report: few lines, text of one size."""
    axes.set_facecolor(PAPER)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        axes.spines[side].set_color(FAINT)
    axes.tick_params(colors=INK, labelsize=TEXT_POINTS - 1, length=3)
    axes.grid(True, color="#E3E3E3", linewidth=0.6)
    axes.set_axisbelow(True)


def figure_as_png(figure: Figure) -> bytes:
    """Return the figure as the bytes of a PNG file.

    Examples
    --------
    >>> figure, axes = new_figure(1.0)
    >>> figure_as_png(figure)[1:4]
    b'PNG'
    """
    stream = io.BytesIO()
    # An empty Software entry keeps equal pictures equal to the byte over library versions' names.
    figure.savefig(stream, format="png", metadata={"Software": None})
    return stream.getvalue()
