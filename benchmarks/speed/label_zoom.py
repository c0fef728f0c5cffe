"""How long the labelling page takes to open a capture of 100 M samples and to zoom in it.

Run from the project's folder: ``python benchmarks/speed/label_zoom.py [samples]``. Makes a drawn (invented) capture in
a temporary folder, serves it by the command, and measures the command's start, the page from address to drawn trace,
and each zoom step, in a headless browser where there is one, else the server's answers alone.
"""

from __future__ import annotations

import http.client
import json
import re
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

RATE_HZ = 2e6
STEPS = 16
COMMAND = [sys.executable, "-c", "from sigkit.cli.main import main; main()", "label"]


def make_capture(folder: Path, samples: int) -> None:
    """Write a memory-mapped int16 capture: noise, and a firing every 20 ms."""
    (folder / "captures").mkdir(parents=True)
    array = np.lib.format.open_memmap(folder / "captures" / "long.npy", "w+", np.int16, (samples,))
    piece = np.random.default_rng(1).integers(-20, 20, 4_000_000).astype(np.int16)
    every = int(0.02 * RATE_HZ)
    for at in range(0, len(piece) - every, every):
        piece[at : at + 40] = -20_000
        piece[at + 40 : at + 3000] = -2_500
    for begin in range(0, samples, len(piece)):
        part = array[begin : begin + len(piece)]
        part[:] = piece[: len(part)]
    array.flush()
    sidecar = f"capture,channel,kind,sample_rate_Hz\nlong.npy,,secondary_voltage,{RATE_HZ:.0f}\n"
    (folder / "captures" / "captures.csv").write_text(sidecar, encoding="utf-8")


def ask(port: int, path: str) -> bytes:
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=60)
    connection.request("GET", path)
    answer = connection.getresponse()
    body = answer.read()
    if answer.status != 200:
        raise SystemExit(f"{path}: {answer.status} {body[:200]!r}")
    return body


def zoom_server(port: int, samples: int) -> dict[str, float]:
    """Return the times of the server's answers alone, milliseconds."""
    item = json.loads(ask(port, "/api/next?queue=unlabelled&tab=b"))["item"]
    whole = 1e3 * samples / RATE_HZ
    middle, span, taken = 0.37 * whole, whole, []
    begun = time.perf_counter()
    ask(port, f"/api/item?item={item}")
    for _ in range(22):
        at = time.perf_counter()
        begin, end = middle - span / 2, middle + span / 2
        ask(port, f"/api/trace?item={item}&channel=0&from_ms={begin}&to_ms={end}&buckets=2000")
        taken.append(1e3 * (time.perf_counter() - at))
        span /= 2
    return {"first_ms": taken[0], "rest_median_ms": statistics.median(taken[1:]), "rest_worst_ms": max(taken[1:]),
            "all_ms": 1e3 * (time.perf_counter() - begun)}  # fmt: skip


def zoom_browser(address: str, chromium: str) -> dict[str, float]:
    """Return the times as a reader sees them, milliseconds: address to drawn trace, key press to settled trace."""
    from playwright.sync_api import sync_playwright

    settled = "body[data-ready]:not([data-ready=''])"
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium, args=["--no-sandbox", "--disable-gpu"])
        page = browser.new_page(viewport={"width": 1280, "height": 720})
        begun = time.perf_counter()
        page.goto(address)
        page.wait_for_selector(settled)
        opened = 1e3 * (time.perf_counter() - begun)
        page.wait_for_timeout(1000)
        # From the key to the frame on which the newest part is drawn, by the page's own clock.
        step = """(key) => new Promise((done) => {
            document.body.dataset.ready = "";
            const begun = performance.now();
            new MutationObserver((seen, watch) => {
              if (document.body.dataset.ready) { watch.disconnect(); done(performance.now() - begun); }
            }).observe(document.body, { attributes: true });
            document.body.dispatchEvent(new KeyboardEvent("keydown", { key, bubbles: true }));
          })"""
        taken = [page.evaluate(step, "+") for _ in range(STEPS)]
        taken += [page.evaluate(step, "-") for _ in range(STEPS)]
        browser.close()
    return {"open_ms": opened, "step_median_ms": statistics.median(taken), "step_worst_ms": max(taken)}


def main() -> None:
    samples = int(float(sys.argv[1])) if len(sys.argv) > 1 else 100_000_000
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "set"
        make_capture(folder, samples)
        begun = time.perf_counter()
        process = subprocess.Popen([*COMMAND, str(folder), "--reader", "r01", "--whole-capture", "--port", "0"],
                                   stdout=subprocess.PIPE, text=True)  # fmt: skip
        try:
            assert process.stdout is not None
            found = None
            while found is None:
                found = re.search(r"Open (http://127\.0\.0\.1:(\d+)/)", process.stdout.readline())
            figures = {"samples": samples, "command_ms": 1e3 * (time.perf_counter() - begun)}
            if chromium := shutil.which("chromium"):
                figures |= {f"browser_{name}": value for name, value in zoom_browser(found[1], chromium).items()}
            figures |= {f"server_{name}": value for name, value in zoom_server(int(found[2]), samples).items()}
        finally:
            process.terminate()
            process.wait(20)
    sys.stdout.write(json.dumps({name: round(value, 1) for name, value in figures.items()}, indent=1) + "\n")


if __name__ == "__main__":
    main()
