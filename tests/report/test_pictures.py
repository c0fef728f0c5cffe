"""Pictures: what is drawn sits where the numbers say, and looks follow published rules."""

import io
from dataclasses import replace

import matplotlib
import numpy as np
import pytest
from matplotlib.figure import Figure
from PIL import Image

from sigkit.report import figure_style
from sigkit.report.figure_style import INSTANT_MARKS, new_figure
from sigkit.report.firing_trace import cut_traces
from sigkit.report.picture import draw_firing, draw_parade, draw_raster, draw_superimposed
from sigkit.report.plot_firing import plot_firing
from sigkit.report.plot_parade import plot_parade
from sigkit.report.plot_raster import plot_raster
from sigkit.report.plot_superimposed import plot_superimposed


@pytest.fixture(scope="module")
def traces(invented):
    capture, table = invented
    return cut_traces(capture, table, np.flatnonzero(table["cylinder"] == "3"))


@pytest.fixture
def axes():
    return new_figure(3.0)[1][0]


def test_colours_are_the_published_scale():
    # Okabe & Ito, Color Universal Design; matplotlib ships the scale from 3.11 on.
    if "okabe_ito" not in matplotlib.color_sequences:
        pytest.skip("this matplotlib does not ship the scale")
    shipped = {matplotlib.colors.to_hex(colour).upper() for colour in matplotlib.color_sequences["okabe_ito"]}
    ours = {
        getattr(figure_style, name).upper()
        for name in ("BLACK", "ORANGE", "SKY_BLUE", "GREEN", "YELLOW", "BLUE", "VERMILION", "PURPLE")
    }
    assert ours == shipped


def test_instants_differ_by_mark_and_word_not_only_by_colour():
    colours, marks, words = zip(*INSTANT_MARKS.values(), strict=True)
    assert len(set(colours)) == len(set(marks)) == len(set(words)) == 4


def test_superimposed_draws_every_firing_found_and_marks_instants(axes, traces):
    artists = plot_superimposed(axes, traces)
    lines = [artist for artist in artists if artist.get_linestyle() != "None"]
    marks = {artist.get_label(): artist for artist in artists if artist.get_linestyle() == "None"}
    found = [trace for trace in traces if not trace.absent]
    assert len(lines) == len(found) == 5
    assert set(marks) == {"coil off", "breakdown", "burn end"}
    burn = [trace.row["burn_time_ms"] + 0.02 for trace in found]
    assert np.allclose(marks["burn end"].get_xdata(), burn, atol=1e-6)
    # The firing line is the lowest point of every invented firing.
    assert np.allclose(marks["breakdown"].get_ydata(), [trace.value.min() for trace in found])


def test_parade_keeps_the_order_and_the_place_of_an_absent_firing(axes, invented):
    capture, table = invented
    rows = [int(np.flatnonzero(table["cylinder"] == cylinder)[2]) for cylinder in "1342"]
    shown = cut_traces(capture, table, rows)
    plot_parade(axes, shown)
    labels = [label.get_text() for label in axes.get_xticklabels()]
    assert [label.split("\n")[0] for label in labels] == ["cyl. 1", "cyl. 3", "cyl. 4", "cyl. 2"]
    assert labels[1].endswith("absent")
    starts = [line.get_xdata()[0] for line in axes.lines if len(line.get_xdata()) > 10]
    assert np.all(np.diff(starts) > 0)
    assert len(starts) == 3


def test_raster_stacks_firings_downwards(axes, traces):
    lines = [artist for artist in plot_raster(axes, traces) if hasattr(artist, "get_xdata")]
    levels = [np.median(line.get_ydata()) for line in lines if len(line.get_xdata()) > 10]
    assert np.all(np.diff(levels) < 0)
    assert [label.get_text() for label in axes.get_yticklabels()] == [str(trace.firing) for trace in traces]


def test_burn_line_passes_through_the_burn_voltage_with_the_slope(axes, traces):
    artists = plot_firing(axes, traces[0])
    line = next(artist for artist in artists if artist.get_label() == "burn line")
    x, y = line.get_xdata(), line.get_ydata()
    # -110 V in the middle, magnitude growing by 9 V/ms: the fixture's own numbers.
    assert np.interp(x.mean(), x, y) == pytest.approx(-110.0)
    assert np.polyfit(x, y, 1)[0] == pytest.approx(-9.0)
    burn = traces[0].row["burn_time_ms"]
    assert (x[0] - 0.02, x[-1] - 0.02) == pytest.approx((0.2 * burn, 0.8 * burn))


def test_burn_line_counts_from_the_baseline(axes, traces):
    shifted = replace(traces[0], row={**traces[0].row, "baseline_level": 25.0})
    line = next(artist for artist in plot_firing(axes, shifted) if artist.get_label() == "burn line")
    assert np.interp(line.get_xdata().mean(), line.get_xdata(), line.get_ydata()) == pytest.approx(-85.0)


def test_pictures_are_wide_enough_for_a_phone_and_say_what_they_show(traces):
    for picture in (
        draw_superimposed(traces),
        draw_raster(traces),
        draw_parade(traces[:2]),
        draw_firing(traces[0]),
    ):
        image = Image.open(io.BytesIO(picture.png))
        assert image.size == (picture.width_px, picture.height_px)
        # Two picture dots for each CSS pixel of a 390 pixel wide phone, less margins.
        assert 700 <= picture.width_px <= 1000
        assert "cylinder 3" in picture.alternative
        assert picture.data_uri.startswith("data:image/png;base64,")


def test_text_is_legible_at_phone_width():
    # 9 point on a 4.2 inch picture shown 358 CSS pixels wide: at least 10 CSS pixels high.
    assert figure_style.TEXT_POINTS / 72 * 358 / figure_style.WIDTH_IN >= 10.0


def test_drawing_leaves_no_plotting_state(traces):
    import sys

    assert "matplotlib.pyplot" not in sys.modules or not sys.modules["matplotlib.pyplot"].get_fignums()
    draw_firing(traces[0])
    assert isinstance(new_figure(1.0)[0], Figure)
    assert "matplotlib.pyplot" not in sys.modules or not sys.modules["matplotlib.pyplot"].get_fignums()


def test_a_long_parade_breaks_into_rows(invented):
    capture, table = invented
    rows = [int(row) for row in np.flatnonzero(table["flags"] != "absent")[:7]]
    assert (
        draw_parade(cut_traces(capture, table, rows)).height_px
        > draw_parade(cut_traces(capture, table, rows[:4])).height_px
    )


def test_captions_count_absent_firings_apart(traces):
    assert draw_superimposed(traces).caption == "Superimposed: 5 firings of cylinder 3."
    assert draw_raster(traces).caption.startswith("Raster: 5 firings of cylinder 3 and 1 expected, not found")
