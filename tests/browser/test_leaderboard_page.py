"""The committed leaderboard's page in a real browser: wide tables scroll in their own frame, the page never does."""

from pathlib import Path

import pytest

from sigkit.bench.leaderboard import build_leaderboard

RESULTS = Path(__file__).parents[2] / "benchmarks" / "results"

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def address(tmp_path_factory):
    folder = tmp_path_factory.mktemp("leaderboard")
    build_leaderboard(RESULTS / "runs", folder)
    return (folder / "leaderboard.html").as_uri()


@pytest.fixture(params=[1200, 400])
def page(browser, address, request):
    opened = browser.new_page(viewport={"width": request.param, "height": 900})
    opened.goto(address)
    opened.evaluate("document.querySelectorAll('details').forEach(one => one.open = true)")
    yield opened
    opened.close()


def test_the_page_is_no_wider_than_the_window(page):
    assert page.evaluate("document.documentElement.scrollWidth - innerWidth") <= 0


def test_every_last_column_can_be_brought_into_view(page):
    frames = page.locator(".wide:has(table)")
    assert frames.count() >= 14
    hidden = frames.evaluate_all(
        """all => all.map(frame => {
            frame.scrollLeft = frame.scrollWidth;
            const last = frame.querySelector('tr').lastElementChild.getBoundingClientRect();
            return last.right - frame.getBoundingClientRect().right;
        })"""
    )
    assert max(hidden) <= 1
    assert frames.evaluate_all("all => all.every(frame => frame.tabIndex === 0 && frame.getAttribute('aria-label'))")


def test_the_tables_that_rank_are_seen_whole_on_a_desk(browser, address):
    page = browser.new_page(viewport={"width": 1200, "height": 900})
    page.goto(address)
    frames = page.locator("section > .wide:has(table)")
    beyond = frames.evaluate_all("all => all.map(frame => frame.scrollWidth - frame.clientWidth)")
    page.close()
    assert len(beyond) == 7
    assert max(beyond) <= 0
