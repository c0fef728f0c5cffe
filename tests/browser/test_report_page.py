"""The page of a run in a real browser: no errors, no requests, no overflow, words for every picture."""

import shutil

import numpy as np
import pytest

from sigkit.screen.screen_archive import screen_archive
from sigkit.shipped import demo_archive

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def address(tmp_path_factory):
    folder = tmp_path_factory.mktemp("page")
    archive = folder / "archive"
    archive.mkdir()
    for name in ("otter", "kingfisher", "damaged"):
        (archive / name).mkdir()
        for path in sorted((demo_archive() / name).iterdir())[:2]:
            shutil.copy(path, archive / name)
    shutil.copy(demo_archive() / "captures.csv", archive)
    long_name = "a-recording-with-a-name-that-does-not-fit-on-any-phone-" * 3 + ".npz"
    np.savez(archive / long_name, voltage=np.random.default_rng(2).normal(size=20_000), sample_rate=200e3)
    screen_archive([str(archive)], folder / "report", workers=1, progress=False)
    return (folder / "report" / "report.html").as_uri()


@pytest.fixture(params=[(1280, "light"), (390, "light"), (390, "dark")], ids=lambda p: f"{p[0]}-{p[1]}")
def page(browser, address, request):
    width, scheme = request.param
    opened = browser.new_page(viewport={"width": width, "height": 844}, color_scheme=scheme)
    opened.told, opened.asked = [], []
    opened.on("console", lambda message: opened.told.append(message.text))
    opened.on("pageerror", lambda error: opened.told.append(str(error)))
    opened.on("request", lambda asked: opened.asked.append(asked.url))
    opened.goto(address)
    opened.wait_for_load_state("load")
    yield opened
    opened.close()


def test_no_errors_and_no_requests_but_the_page(page, address):
    assert page.told == []
    assert [url for url in page.asked if not url.startswith("data:")] == [address]


def test_nothing_sticks_out_sideways(page):
    page.evaluate("document.querySelectorAll('details').forEach((part) => { part.open = true; })")
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
    wide = page.evaluate(
        "[...document.querySelectorAll('main *')].filter((e) => !e.closest('.scroll')"
        " && getComputedStyle(e).position !== 'absolute'"
        " && e.getBoundingClientRect().right > window.innerWidth + 1).map((e) => e.outerHTML.slice(0, 80))"
    )
    assert wide == []


def test_every_picture_is_drawn_and_has_words(page):
    page.evaluate("document.querySelectorAll('details').forEach((part) => { part.open = true; })")
    pictures = page.evaluate("[...document.images].map((i) => [i.alt.length, i.naturalWidth])")
    assert len(pictures) >= 3
    assert all(words > 20 and width >= 700 for words, width in pictures)


def test_text_is_never_smaller_than_eleven_pixels(page):
    sizes = page.evaluate(
        "[...document.querySelectorAll('main *')].map((e) => parseFloat(getComputedStyle(e).fontSize))"
    )
    assert min(sizes) >= 11.0


def test_sorting_reorders_rows_and_says_so(page):
    # Narrow screens fold the headings away: sorting is for the wide layout.
    page.set_viewport_size({"width": 1280, "height": 844})
    column = "[...document.querySelectorAll('#all ~ .scroll tbody tr')].map((r) => r.cells[4].textContent.trim())"
    before = page.evaluate(column)
    page.locator("#all ~ .scroll th button", has_text="Firings").click()
    after = page.evaluate(column)
    assert sorted(before) == sorted(after)
    assert [int(x) for x in after] == sorted(int(x) for x in before)
    assert page.locator("th[aria-sort=ascending]").count() == 1


def test_the_dark_scheme_is_dark(page):
    ground = page.evaluate("getComputedStyle(document.body).backgroundColor")
    dark = page.evaluate("matchMedia('(prefers-color-scheme: dark)').matches")
    brightness = sum(int(part) for part in ground[4:-1].split(",")) / 3
    assert (brightness < 80) == dark
