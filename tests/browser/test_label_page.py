"""The labelling page in a real browser: the whole flow by mouse and by keyboard alone, blind, on desk and tablet."""

from __future__ import annotations

import json
import os
import re
import socket
import threading
import time
from pathlib import Path

import pytest

from sigkit.corpus.label_journal import LabelJournal
from sigkit.label.label_session import LabelSession
from sigkit.label.label_settings import LabelSettings

#: Where pictures for a person to look at go, when asked for.
PICTURES = os.environ.get("SIGKIT_LABEL_PICTURES", "")

pytestmark = pytest.mark.browser


@pytest.fixture
def label_set(make_label_set, tmp_path):
    return make_label_set(tmp_path / "set")


@pytest.fixture
def serve(label_set):
    import uvicorn

    from sigkit.label.web_app import make_app
    from sigkit.label.web_safety import LOOPBACK, WebSafety

    running = []

    def start(reader="r01", port=0, **settings):
        settings.setdefault("proposals", (label_set / "proposals.csv",))
        session = LabelSession(label_set, LabelSettings(reader, **settings))
        listening = socket.create_server(("127.0.0.1", port))
        taken = listening.getsockname()[1]
        app = WebSafety(make_app(session), LOOPBACK, taken)
        server = uvicorn.Server(uvicorn.Config(app, log_level="warning", lifespan="off", ws="none",
                                               timeout_graceful_shutdown=1))  # fmt: skip
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]}, daemon=True)
        thread.start()
        while not server.started:
            time.sleep(0.01)

        def stop():
            server.should_exit = True
            thread.join(10)
            listening.close()

        running.append(stop)
        return session, f"http://127.0.0.1:{taken}/", stop

    yield start
    for stop in running:
        stop()


@pytest.fixture
def open_page(browser):
    opened = []

    def start(address, width=1280, height=720, **more):
        context = browser.new_context(viewport={"width": width, "height": height}, **more)
        page = context.new_page()
        page.told, page.traffic = [], []
        page.on("console", lambda message: page.told.append(message.text))
        page.on("pageerror", lambda error: page.told.append(str(error)))
        # Playwright cannot take a method of a list.
        page.on("response", lambda answer: page.traffic.append(answer))  # noqa: PLW0108
        page.on("dialog", lambda dialog: dialog.accept())
        opened.append(context)
        visit(page, address)
        return page

    yield start
    for context in opened:
        context.close()


def visit(page, address):
    page.goto(address)
    drawn(page)


def drawn(page):
    page.wait_for_selector("body[data-ready]:not([data-ready=''])", timeout=30_000)
    page.wait_for_timeout(80)


def press(page, *keys):
    for key in keys:
        page.keyboard.press(key)
    page.wait_for_timeout(80)


def picture(page, name):
    if PICTURES:
        page.screenshot(path=str(Path(PICTURES) / f"{name}.png"))


def marks(page):
    """Return the marks the panel lists, as {word: milliseconds}."""
    rows = page.locator(".marks button").all_text_contents()
    return {row.rsplit("  ", 1)[0]: float(row.rsplit("  ", 1)[1].split()[0]) for row in rows}


def saved(page):
    page.wait_for_selector("#saved:text-is('saved')", timeout=30_000)


def until(holds, seconds=30.0):
    """Wait until something holds; a loaded machine may take its time."""
    deadline = time.monotonic() + seconds
    while not holds():
        assert time.monotonic() < deadline
        time.sleep(0.05)


def journal(folder, reader="r01"):
    return LabelJournal(folder / "labels", reader)


def needle_to(page, ms):
    """Move the needle with the arrow keys alone."""
    while True:
        now = float(re.search(r"needle (-?[\d.]+) ms", page.locator("#readout").text_content())[1])
        steps = round((ms - now) * 200)
        if steps == 0:
            return
        key = "ArrowRight" if steps > 0 else "ArrowLeft"
        tens, ones = divmod(abs(steps), 10)
        for _ in range(tens):
            page.keyboard.press(f"Shift+{key}")
        for _ in range(ones):
            page.keyboard.press(key)
        page.wait_for_timeout(80)


def true_begin_ms(session, page):
    """Return where the drawn firing really breaks down, in milliseconds of the page."""
    token = page.evaluate("document.body.dataset.ready")
    task = session.tasks[session._by_token[token]]
    told = session.item(token)
    return task.time_s * 1e3 + told["channels"][told["channel"]]["start_ms"]


def test_the_whole_flow_by_keyboard_alone(serve, open_page, label_set):
    session, address, stop = serve(repeat_share=0.0)
    page = open_page(address)
    begin = true_begin_ms(session, page)
    needle_to(page, begin)
    press(page, "+", "+", "f", "b", "ArrowRight", "Escape")
    needle_to(page, begin + 1.27)
    press(page, "e", "Shift+ArrowLeft", "Shift+ArrowRight", "ArrowLeft", "ArrowRight")
    found = marks(page)
    assert found["coil off"] == pytest.approx(begin, abs=0.001)
    assert found["burn begins"] == pytest.approx(begin + 0.005, abs=0.001)
    assert found["burn ends"] == pytest.approx(begin + 1.27, abs=0.001)
    # The mark before is chosen and moved by exactly one sample.
    press(page, "[", "ArrowLeft")
    assert marks(page)["burn begins"] == pytest.approx(begin, abs=0.001)
    press(page, "r", "p", "p", "k", "c")
    picture(page, "keyboard-1280x720")
    press(page, "z", "z", "z", "z", "z")
    assert page.locator("#choose-role").input_value() == "unknown"
    press(page, "Z", "Z", "Z", "Z", "Z")
    assert page.locator("#choose-role").input_value() == "power"
    press(page, "s")
    saved(page)
    label = journal(label_set).firings()[0]
    assert label.burn_ms == pytest.approx(1.27, abs=1e-6)
    assert (label.role, label.polarity, label.condition, label.certainty) == ("power", -1, "normal", "fairly_sure")
    assert label.blind
    assert label.queue == "unlabelled"
    # Reload: everything is there again; the next one comes with Enter.
    page.reload()
    drawn(page)
    assert marks(page)["burn ends"] == pytest.approx(begin + 1.27, abs=0.001)
    press(page, "ArrowRight", "Enter")
    drawn(page)
    assert marks(page) == {}
    press(page, "2", "Enter")
    until(lambda: len(journal(label_set).firings()) == 2)
    drawn(page)
    assert sorted(one.answer for one in journal(label_set).firings()) == ["measured", "no_spark"]
    # The server ends and comes back: the reader goes on where he was.
    port = int(address.rstrip("/").rsplit(":", 1)[1])
    stop()
    press(page, "4", "s")
    page.wait_for_selector("#message:has-text('does not answer')", timeout=30_000)
    serve(repeat_share=0.0, port=port)
    press(page, "s")
    saved(page)
    assert len(journal(label_set).firings()) == 3
    assert [text for text in page.told if "Failed to load" not in text and "ERR_CONNECTION" not in text] == []


def test_undo_reaches_the_first_action_over_saves_and_reload(serve, open_page, label_set):
    _, address, _ = serve(repeat_share=0.0)
    page = open_page(address)
    press(page, "b", "Shift+ArrowLeft", "Escape", "e", "s")
    saved(page)
    press(page, "r", "s")
    saved(page)
    page.reload()
    drawn(page)
    for _ in range(20):
        press(page, "z")
    assert page.locator("#undo").is_disabled()
    assert marks(page) == {}
    assert page.locator("#choose-role").input_value() == "unknown"
    for _ in range(20):
        press(page, "Z")
    assert page.locator("#choose-role").input_value() == "power"
    assert len(marks(page)) == 2
    assert len(journal(label_set).entries()) == 2


def test_the_whole_flow_by_mouse(serve, open_page, label_set):
    session, address, _ = serve(repeat_share=0.0)
    page = open_page(address)
    box = page.locator(".u-over").bounding_box()
    begin = true_begin_ms(session, page)

    def at(ms, span=(0.0, 12.0)):
        return box["x"] + (ms - span[0]) / (span[1] - span[0]) * box["width"], box["y"] + box["height"] / 2

    page.mouse.move(*at(begin))
    before = page.locator("#context").screenshot()
    page.mouse.wheel(0, -300)
    page.wait_for_timeout(200)
    assert page.locator("#context").screenshot() != before
    page.get_by_role("button", name="window").click()
    page.get_by_role("button", name="burn begins").click()
    page.mouse.click(*at(begin + 0.3))
    page.get_by_role("button", name="burn ends").click()
    page.mouse.click(*at(begin + 1.27))
    page.mouse.move(*at(begin + 0.3))
    page.mouse.down()
    page.mouse.move(*at(begin + 0.1), steps=4)
    page.mouse.move(*at(begin), steps=4)
    page.mouse.up()
    page.wait_for_timeout(100)
    pixel = 12.0 / box["width"]
    assert marks(page)["burn begins"] == pytest.approx(begin, abs=2 * pixel)
    # The whole drag is one action.
    page.locator("#undo").click()
    assert marks(page)["burn begins"] == pytest.approx(begin + 0.3, abs=2 * pixel)
    page.locator("#redo").click()
    page.get_by_role("button", name="level").click()
    page.mouse.click(*at(9.0))
    page.locator("#choose-role").select_option("single")
    page.locator("#choose-condition").select_option("wide_gap")
    picture(page, "mouse-1280x720")
    page.locator("#save").click()
    saved(page)
    label = journal(label_set).firings()[0]
    assert label.burn_ms == pytest.approx(1.27, abs=4 * pixel)
    assert (label.role, label.condition) == ("single", "wide_gap")
    # Nothing snaps unless asked: the mark lies where the hand put it, then on a sample.
    page.locator(".marks button").first.click()
    page.get_by_role("button", name="snap", exact=False).first.click()
    page.locator("#save-next").click()
    until(lambda: len(journal(label_set).entries()) == 2)
    latest = journal(label_set).firings()[0]
    assert (latest.breakdown_s * 200e3) % 1.0 == pytest.approx(0.0, abs=1e-6) or (
        latest.breakdown_s * 200e3
    ) % 1.0 == pytest.approx(1.0, abs=1e-6)
    assert "snap" in latest.aids
    assert page.told == []


def test_blind_traffic_leaks_nothing(serve, open_page, label_set):
    other, *_ = serve("r02", repeat_share=0.0, blind=False)
    for number, task in enumerate(other.tasks[:6]):
        told = other.item(task.token)
        other.save({"item": task.token, "firings": [{
            "entry": f"e{number}", "label": told["label"], "based_on": "", "answer": "measured", "polarity": 0,
            "intervals": [[5.0, 6.5]], "condition": "shorted_winding", "remark": "seen by another"}]})  # fmt: skip
    _, address, _ = serve(repeat_share=1.0)
    page = open_page(address)
    for _ in range(5):
        shown = page.evaluate("document.body.dataset.ready")
        press(page, "y", "g", "v", "b", "Shift+ArrowLeft", "Escape", "e", "Enter")
        until(lambda shown=shown: page.evaluate("document.body.dataset.ready") not in ("", shown))
    page.locator("#queue").select_option("disagreement")
    page.wait_for_timeout(300)
    answers = [one for one in page.traffic if one.status != 303]
    assert sum("/api/item" in one.url for one in answers) >= 6
    assert sum("/api/save" in one.url for one in answers) == 5
    for one in answers:
        assert one.url.startswith(address)
        text = one.body() if one.status < 400 or one.status >= 500 else b""
        said = text + json.dumps(one.all_headers()).encode() + one.url.encode()
        if "/api/start" in one.url:
            # Conditions to choose from are no opinion on any firing.
            told = json.loads(text)
            assert set(told) == {"reader", "mode", "blind", "origin", "queues", "messages", "program", "answers",
                                 "certainties", "roles", "conditions", "colours"}  # fmt: skip
            continue
        for word in (b"otter", b"heron", b".npz", b"lead_1", b"r02", b"shorted_winding", b"seen by another",
                     b"narrow_gap", str(label_set).encode()):  # fmt: skip
            assert word not in said, (word, one.url)
    shown = page.content()
    for word in ("otter", "heron", ".npz", "lead_1", "r02"):
        assert word not in shown
    assert {one.blind for one in journal(label_set).firings()} == {True}


def test_not_blind_shows_names_and_others(serve, open_page, label_set):
    first, *_ = serve("r02", repeat_share=0.0, blind=False)
    task = first.tasks[0]
    told = first.item(task.token)
    first.save({"item": task.token, "firings": [{
        "entry": "e1", "label": told["label"], "based_on": "", "answer": "measured", "polarity": 0,
        "intervals": [[5.0, 6.5]]}]})  # fmt: skip
    _, address, _ = serve("r01", repeat_share=0.0, blind=False)
    page = open_page(address)
    assert "harbour-otter-07.npz" in page.locator("#progress").text_content()
    assert "not blind" in page.locator("#what").text_content()
    picture(page, "not-blind-1280x720")
    press(page, "b", "Shift+ArrowLeft", "Escape", "e", "s")
    saved(page)
    assert not journal(label_set).firings()[0].blind
    assert page.told == []


def test_two_tabs_never_overwrite_each_other(serve, open_page, label_set):
    session, address, _ = serve(repeat_share=0.0)
    token = session.tasks[0].token
    one, other = open_page(f"{address}?item={token}"), open_page(f"{address}?item={token}")
    press(one, "b", "Shift+ArrowLeft", "Escape", "e", "s")
    saved(one)
    press(other, "2", "s")
    other.wait_for_selector("#message:has-text('another tab')", timeout=30_000)
    assert [entry.answer for entry in journal(label_set).entries()] == ["measured"]
    # The reader decides: saving again puts his answer after the other one, which stays on record.
    press(other, "s")
    saved(other)
    assert [entry.answer for entry in journal(label_set).entries()] == ["measured", "no_spark"]


def test_a_whole_capture_by_keyboard(serve, open_page, label_set):
    session, address, _ = serve(mode="whole_capture")
    page = open_page(address)
    press(page, "a", "b", "Shift+ArrowRight", "Escape", "Shift+ArrowRight", "Shift+ArrowRight", "e")
    press(page, "Escape", "PageDown", "w", "a", "2")
    press(page, "n")
    on, back = ["Escape", "Shift+ArrowRight", "Shift+ArrowRight"], ["Escape", *["Shift+ArrowLeft"] * 3]
    press(page, "w", "a", "b", *on, "e", *on, "b", *on, "e", *back)
    assert page.locator(".marks li").count() == 4
    press(page, "t")
    assert "firing 3 of 4; 2 on this channel" in page.locator(".firings").text_content()
    assert page.locator(".marks li").count() == 2
    press(page, ",", ",", "x", "s")
    saved(page)
    picture(page, "whole-capture-1280x720")
    held = journal(label_set)
    assert len(held.firings()) == 4
    assert sorted(one.answer for one in held.firings()) == ["measured"] * 3 + ["no_spark"]
    assert held.marks()[0].exhaustive
    press(page, "d", "s")
    saved(page)
    assert len(journal(label_set).firings()) == 3
    press(page, "z", "s")
    saved(page)
    assert len(journal(label_set).firings()) == 4
    page.reload()
    drawn(page)
    assert page.locator("#exhaustive").is_checked()
    assert page.told == []
    assert session.tokens("unlabelled") != [task.token for task in session.tasks]


@pytest.mark.parametrize("size", [(1024, 768), (768, 1024)], ids=["tablet-wide", "tablet-tall"])
def test_touch_on_a_tablet(serve, open_page, label_set, size):
    session, address, _ = serve(repeat_share=0.0)
    page = open_page(address, *size, has_touch=True, is_mobile=True)
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
    small = page.evaluate(
        "[...document.querySelectorAll('button, select')].filter((e) => e.offsetParent && !e.closest('dialog'))"
        ".filter((e) => e.getBoundingClientRect().height < 38).map((e) => e.textContent)"
    )
    assert small == []
    box = page.locator(".u-over").bounding_box()
    begin = true_begin_ms(session, page)
    for tool, ms in (("burn begins", begin), ("burn ends", begin + 1.27)):
        page.get_by_role("button", name=tool).first.tap()
        box = page.locator(".u-over").bounding_box()
        page.touchscreen.tap(box["x"] + ms / 12.0 * box["width"], box["y"] + box["height"] / 2)
        page.wait_for_timeout(80)
    picture(page, f"tablet-{size[0]}x{size[1]}")
    # Two fingers that part zoom in about what is between them, one finger pans; neither moves a mark.
    found = marks(page)
    hand = page.context.new_cdp_session(page)
    x, y = box["x"] + 0.7 * box["width"], box["y"] + 0.3 * box["height"]

    def touch(kind, *reach):
        hand.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": [
            {"x": x + each, "y": y, "id": number} for number, each in enumerate(reach)]})  # fmt: skip
        page.wait_for_timeout(50)

    before = page.locator("#context").screenshot()
    for reach in (20, 40, 60, 80):
        touch("touchStart" if reach == 20 else "touchMove", -reach, reach)
    touch("touchEnd")
    zoomed = page.locator("#context").screenshot()
    assert zoomed != before
    for way in (0, 20, 40):
        touch("touchStart" if way == 0 else "touchMove", way)
    touch("touchEnd")
    assert page.locator("#context").screenshot() != zoomed
    assert marks(page) == found
    page.locator("#save").tap()
    saved(page)
    assert journal(label_set).firings()[0].burn_ms == pytest.approx(1.27, abs=4 * 12.0 / box["width"])
    assert page.told == []


def test_viewing_aids_change_no_data_and_are_noted(serve, open_page, label_set):
    session, address, _ = serve(repeat_share=0.0)
    page = open_page(f"{address}?item={session.tasks[0].token}")
    begin = true_begin_ms(session, page)
    needle_to(page, begin)
    press(page, "b", "Escape", "h", "m")
    until(lambda: page.evaluate("document.body.dataset.ready") not in ("", session.tasks[0].token))
    held = page.evaluate("document.body.dataset.ready")
    begin = true_begin_ms(session, page)
    needle_to(page, begin)
    before = len(page.traffic)
    press(page, "b", "j", "v", "g", "Escape")
    until(lambda: page.wait_for_timeout(100) or len(page.traffic) >= before + 2)
    asked = [one.url for one in page.traffic[before:]]
    assert any(f"item={session.tasks[0].token}" in url for url in asked)
    assert any(f"item={held}&channel={1 - session.item(held)['channel']}" in url for url in asked)
    assert "upside down" in page.locator("#readout").text_content()
    picture(page, "aids-1280x720")
    needle_to(page, begin + 1.27)
    press(page, "e", "s")
    saved(page)
    label = next(one for one in journal(label_set).firings() if one.label == held)
    assert label.burn_ms == pytest.approx(1.27, abs=1e-6)
    assert label.polarity == 0
    assert sorted(label.aids) == ["inverted", "reference", "sibling"]
    assert page.told == []


def test_a_picture_of_one_firing_has_fine_ticks(serve, open_page):
    session, address, _ = serve(origin="picture", repeat_share=0.0)
    token = session.tasks[0].token
    page = open_page(f"{address}?item={token}&picture=1&from_ms=4&to_ms=6.5&low=-2&high=1")
    assert page.evaluate("document.body.dataset.ready") == token
    assert page.locator("#panel").is_hidden()
    box = page.locator(".u-over").bounding_box()
    assert box["width"] > 1150
    assert box["height"] > 600
    picture(page, "picture-1280x720")
    assert page.told == []


def test_help_lists_every_key_and_the_page_asks_nobody_else(serve, open_page):
    _, address, _ = serve()
    page = open_page(address)
    press(page, "?")
    assert page.locator("#help dt").count() > 35
    picture(page, "help-1280x720")
    press(page, "Escape")
    assert not page.locator("#help").is_visible()
    assert {one.url[: len(address)] for one in page.traffic} == {address}
    assert page.evaluate("document.documentElement.scrollHeight <= window.innerHeight")
    assert page.told == []
