"""Render the firings of ``datasets/picture-read`` as pictures of the labelling page, for readers who see nothing else.

Run from the project's folder, with Debian's Chromium installed:
``python datasets/render_picture_read.py OUT KEY``. OUT gets a folder of pictures for each reader and what readers are
told; KEY (a JSON file, kept away from readers) tells which picture shows which item. Every picture is put together
from the page's own display in blind mode: the whole window at full height, then stretches of the window, always the
same, at a height that leaves out the highest and lowest hundredth of the samples. Nothing is centred on truth or on
what a detector says. Every firing comes twice, flipped or shifted, by the page's own rules.
"""

from __future__ import annotations

import io
import json
import shutil
import socket
import sys
import threading
import time
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path

import numpy as np
from make_picture_read import HOME, READERS

from sigkit.corpus.description import own_part, read_description
from sigkit.label.label_session import LabelSession
from sigkit.label.label_settings import LabelSettings

WIDTH, HEIGHT = 1280, 220
#: First stretch of the window, ms from its begin; it starts at the earliest place the page's rules leave to a firing.
#: Every further one lies three quarters of a stretch later (three times the page's own pan), so they overlap.
FIRST_MS = (2.4, 6.0)
STRETCHES = 3
#: A key pressed so often within the page; it is drawn when the body says ready.
PRESS = """([key, ctrlKey, times]) => {
    document.body.dataset.ready = "";
    for (let k = 0; k < times; k += 1)
      document.body.dispatchEvent(new KeyboardEvent("keydown", { key, ctrlKey, bubbles: true }));
  }"""
SWITCHES = ["--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking", "--disable-sync"]


def session_of(reader: str, home: Path = HOME, data_set: Path = HOME) -> LabelSession:
    """Return the blind session of a reader; items, order, flips and shifts follow from the seed of the set.

    Parameters
    ----------
    reader : str
    home : Path
        Where seed and places are.
    data_set : Path
        Where captures are and labels go.
    """
    seed = int(own_part(read_description(home))["seed"]) % 2**32
    return LabelSession(data_set, LabelSettings(
        reader, blind=True, seed=seed, repeat_share=1.0, origin="picture",
        proposals=(home / "places" / f"{reader}.csv",), only_proposals=True,
    ))  # fmt: skip


def serve(session: LabelSession) -> int:
    """Serve a session from a thread of this process; return the port."""
    import uvicorn

    from sigkit.label.web_app import make_app
    from sigkit.label.web_safety import LOOPBACK, WebSafety

    listening = socket.create_server(("127.0.0.1", 0))
    port = listening.getsockname()[1]
    settings = uvicorn.Config(WebSafety(make_app(session), LOOPBACK, port, ""), log_level="warning", lifespan="off",
                              ws="none")  # fmt: skip
    server = uvicorn.Server(settings)
    threading.Thread(target=server.run, kwargs={"sockets": [listening]}, daemon=True).start()
    while not server.started:
        time.sleep(0.02)
    return port


def heights(session: LabelSession, token: str) -> tuple[float, float]:
    """Return the height of the stretches: all but the highest and lowest hundredth of the samples, with room."""
    told = session.item(token)
    cut, _, _ = session.trace(token, told["channel"], FIRST_MS[0], told["window_ms"][1], 20_000)
    low, high = np.nanpercentile(cut.values, [1.0, 99.0])
    room = 0.3 * (high - low) or 1.0
    return float(low - room), float(high + room)


def render_lot(reader: str, out: Path, first: int) -> dict[str, dict]:
    """Write the pictures of one reader, numbered from `first`, and return which picture shows which item."""
    from PIL import Image
    from playwright.sync_api import sync_playwright

    session = session_of(reader)
    port = serve(session)
    out.mkdir(parents=True)
    told: dict[str, dict] = {}
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=shutil.which("chromium"), args=SWITCHES)
        page = browser.new_page(viewport={"width": WIDTH, "height": HEIGHT})
        for number, task in enumerate(session.tasks, start=first):
            low, high = heights(session, task.token)
            page.goto(f"http://127.0.0.1:{port}/?item={task.token}&picture=1&from_ms={FIRST_MS[0]}&to_ms={FIRST_MS[1]}"
                      f"&low={low:.6g}&high={high:.6g}")  # fmt: skip
            ready = f"body[data-ready='{task.token}']"
            page.wait_for_selector(ready)
            shots = [page.screenshot()]
            for press in [["ArrowRight", True, 3]] * (STRETCHES - 1) + [["0", False, 1]]:
                page.evaluate(PRESS, press)
                page.wait_for_selector(ready)
                shots.append(page.screenshot())
            picture = Image.new("RGB", (WIDTH, HEIGHT * len(shots)), "white")
            for place, shot in enumerate([shots[-1], *shots[:-1]]):
                picture.paste(Image.open(io.BytesIO(shot)), (0, place * HEIGHT))
            name = f"task-{number:03d}"
            picture.quantize(32).save(out / f"{name}.png", optimize=True)
            told[name] = {"reader": reader, "item": task.token, "capture": task.capture, "channel": task.channel,
                          "presentation": task.presentation, "flipped": task.flipped,
                          "shifted_s": task.shifted_s}  # fmt: skip
        browser.close()
    return told


def main(out: Path, key: Path) -> None:
    """Write all pictures and the key, two readers' at a time."""
    shutil.rmtree(out, ignore_errors=True)
    key.parent.mkdir(parents=True, exist_ok=True)
    many = [len(session_of(reader).tasks) for reader in READERS]
    first = [1 + sum(many[:k]) for k in range(len(many))]
    lots = [out / f"lot-{lot}" for lot in range(1, len(READERS) + 1)]
    with ProcessPoolExecutor(2, mp_context=get_context("spawn")) as pool:
        told = {name: one for part in pool.map(render_lot, READERS, lots, first) for name, one in part.items()}
    shutil.copyfile(HOME.parent / "picture_read_instructions.md", out / "INSTRUCTIONS.md")
    key.write_text(json.dumps(told, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]))
