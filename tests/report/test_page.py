"""The page: whole, self-contained, escaped, accessible; contrast by the published rule."""

import re
from html.parser import HTMLParser

import numpy as np
import pytest

from sigkit.report.cautions import CAUTIONS
from sigkit.report.firing_trace import cut_traces
from sigkit.report.page import reading_words, render_page
from sigkit.report.page_content import LEVEL_SHAPES, AdviceGroup, PageCapture, PageContent, RejectedInput
from sigkit.report.picture import draw_superimposed
from sigkit.report.summarise_coil_pairs import summarise_coil_pairs
from sigkit.report.summarise_leads import MedianReading, summarise_leads

NASTY = '<script>alert("x")</script> & "quotes".csv'


@pytest.fixture(scope="module")
def page(invented):
    capture, table = invented
    picture = draw_superimposed(cut_traces(capture, table, np.flatnonzero(table["cylinder"] == "3")))
    shown = PageCapture(
        NASTY, "ferry-2", "look here first", "look", 81.0, 23, ("Cylinder 3 & others.",), ("Record faster.",),
        (("rate", "200 kS/s"),), (picture, picture),
    )  # fmt: skip
    content = PageContent(
        "Screening report", NASTY, "today", "One sentence.", (("Captures", "1"),), (("Leads", "1,2"),),
        (("sigkit", "0"),), "How it is made.", "1 of 1.", (shown,), (shown,), 7, tuple(summarise_leads(table)), 3,
        tuple(summarise_coil_pairs(table)), (AdviceGroup("Record faster.", ("a", "b")),),
        (RejectedInput(NASTY, "line 7", "no number", "export again"),), 2, ("A note.",),
    )  # fmt: skip
    return render_page(content)


class Outline(HTMLParser):
    def __init__(self):
        super().__init__()
        self.tags, self.open = [], []

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if tag not in ("meta", "link", "img", "br"):
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag


@pytest.fixture(scope="module")
def outline(page):
    parser = Outline()
    parser.feed(page)
    return parser


def test_every_element_is_closed_in_order(outline):
    assert outline.open == []


def test_names_from_files_never_become_markup(page):
    assert "<script>alert" not in page
    assert page.count("&lt;script&gt;alert") >= 4


def test_nothing_is_loaded_from_anywhere(page, outline):
    for tag, attributes in outline.tags:
        for name in ("src", "href"):
            if name in attributes:
                assert attributes[name].startswith(("data:", "#")), (tag, attributes)
    assert "http" not in page.replace("http-equiv", "")
    assert "@import" not in page
    assert "url(" not in page


def test_pictures_have_words_and_sizes(outline):
    images = [attributes for tag, attributes in outline.tags if tag == "img"]
    assert len(images) == 2
    assert all(len(image["alt"]) > 20 and int(image["width"]) and int(image["height"]) for image in images)


def test_tables_have_captions_and_scoped_headers(outline):
    tags = [tag for tag, _ in outline.tags]
    assert tags.count("caption") == tags.count("table") == 4
    assert all(attributes.get("scope") in ("col", "row") for tag, attributes in outline.tags if tag == "th")


def test_headings_descend_step_by_step(outline):
    levels = [int(tag[1]) for tag, _ in outline.tags if re.fullmatch("h[1-6]", tag)]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(after <= before + 1 for before, after in zip(levels, levels[1:], strict=False))


def test_links_inside_the_page_have_a_target(outline):
    names = {attributes["id"] for _, attributes in outline.tags if "id" in attributes}
    links = [attributes["href"][1:] for _, attributes in outline.tags if attributes.get("href", "").startswith("#")]
    assert len(links) > 5
    assert set(links) <= names


def test_all_cautions_and_notes_are_shown(page):
    from html import escape

    for line in (*CAUTIONS, "A note."):
        assert escape(line, quote=False).replace("'", "&#39;") in page
    assert "7 more are in captures.csv" in page
    assert "2 more are in rejected.csv" in page


def test_verdicts_differ_by_shape(page):
    assert len(set(LEVEL_SHAPES.values())) == len(LEVEL_SHAPES)
    assert LEVEL_SHAPES["look"] in page


def luminance(colour):
    # Relative luminance, WCAG 2.1 (W3C Recommendation), definition of that name.
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_contrast_reaches_the_published_minimum(page, scheme):
    blocks = re.findall(r":root \{(.*?)\}", page, re.DOTALL)
    colours = dict(re.findall(r"--(\w+): (#[0-9a-f]{6})", blocks[0 if scheme == "light" else 1]))
    assert len(colours) == 10
    for text in ("ink", "soft", "link", "look", "watch", "clear", "other"):
        for ground in ("paper", "panel"):
            bright, dark = sorted((luminance(colours[text]), luminance(colours[ground])), reverse=True)
            # 4.5 to 1 for text of ordinary size: WCAG 2.1, success criterion 1.4.3.
            assert (bright + 0.05) / (dark + 0.05) >= 4.5, (scheme, text, ground)


def test_the_page_is_readable_without_scripts(page):
    body = page[: page.index('<script>\n"use strict"')]
    assert "hidden" not in re.sub(r"<style>.*?</style>", "", body, flags=re.DOTALL).replace("aria-hidden", "")


def test_volts_become_kilovolts_only_with_a_ratio():
    reading = MedianReading(-640.0, 9.0, 20.0, 6)
    assert reading_words("firing_voltage", reading)[0].startswith("-640")
    assert reading_words("firing_voltage", reading)[0].endswith("V")
    assert reading_words("firing_voltage", reading, -0.012)[0].replace("\u00a0", " ") == "7.68 ± 0.21 kV"
    bound = MedianReading(-640.0, 9.0, 20.0, 6, True)
    assert reading_words("firing_voltage", bound)[0].startswith("at least ")
    # A ratio of either sign leaves the sign of a slope alone: it counts the magnitude.
    assert reading_words("burn_slope", MedianReading(9.0, 1.0, 0.0, 3), -0.012)[0].startswith("0.108")
