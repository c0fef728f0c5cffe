"""The labelling server killed at random moments: everything it said to be saved is there.

Run as a program it kills as often as told: ``python tests/faults/test_label_kills.py 200``.
"""

from __future__ import annotations

import http.client
import json
import os
import random
import re
import signal
import subprocess
import sys
import tempfile
import threading
import time
import uuid
from pathlib import Path

import numpy as np

from sigkit.corpus.label_journal import LabelJournal

COMMAND = [sys.executable, "-c", "from sigkit.cli.main import main; main()", "label"]


def make_set(folder: Path) -> Path:
    (folder / "captures").mkdir(parents=True)
    samples = np.random.default_rng(1).integers(-100, 100, 20_000).astype(np.int16)
    np.savez(folder / "captures" / "one.npz", voltage=samples, sample_rate=100e3)
    return folder


def start_server(folder: Path) -> tuple[subprocess.Popen, int]:
    """Start the command as a person would and return it with its port."""
    command = [*COMMAND, str(folder), "--reader", "r01", "--whole-capture", "--port", "0"]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    for line in process.stdout:
        if found := re.search(r"Open http://127\.0\.0\.1:(\d+)/", line):
            return process, int(found[1])
    raise AssertionError(process.stderr.read())


def ask(port: int, path: str, body: dict | None = None) -> tuple[int, dict]:
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=60)
    try:
        text = None if body is None else json.dumps(body)
        headers = {} if body is None else {"Content-Type": "application/json"}
        connection.request("GET" if body is None else "POST", path, text, headers)
        answer = connection.getresponse()
        return answer.status, json.loads(answer.read())
    finally:
        connection.close()


def save_until_dead(port: int, token: str, saved: list[dict], chance: random.Random) -> None:
    """Save firing after firing, some of them twenty at a time; note only what was acknowledged."""
    while True:
        count = chance.choice([1, 1, 1, 20])
        firings = [
            {"entry": uuid.uuid4().hex, "label": uuid.uuid4().hex, "based_on": "", "channel": 0, "answer": "measured",
             "place": 10.0, "intervals": [[begin := chance.uniform(1, 90), begin + 1.5]], "coil_on": [], "coil_off": []}
            for _ in range(count)
        ]  # fmt: skip
        try:
            status, _ = ask(port, "/api/save", {"item": token, "firings": firings})
        except (OSError, http.client.HTTPException):
            return
        assert status == 200
        saved.extend(firings)
        # A hand is slower; this keeps the record of many kills short.
        time.sleep(chance.uniform(0.0, 0.02))


def check_all_there(saved: list[dict], present: dict[str, dict]) -> None:
    lost = [one["label"] for one in saved if one["label"] not in present]
    assert lost == []
    wanted = np.array([one["intervals"][0] for one in saved]).reshape(-1, 2)
    found = np.array([present[one["label"]]["intervals"][0] for one in saved]).reshape(-1, 2)
    np.testing.assert_allclose(found, wanted, rtol=0, atol=1e-9)


def kill_often(folder: Path, kills: int, seed: int) -> tuple[int, int]:
    """Kill the server ``kills`` times; return how many labels were acknowledged and how many are on record."""
    chance = random.Random(seed)
    saved: list[dict] = []
    for _ in range(kills):
        process, port = start_server(folder)
        try:
            token = ask(port, "/api/next?queue=unlabelled&tab=t")[1]["item"]
            told = ask(port, f"/api/item?item={token}")[1]
            present = {one["label"]: one for one in told["firings"]}
            check_all_there(saved, present)
            writers = [
                threading.Thread(target=save_until_dead, args=(port, token, saved, random.Random(chance.random())))
                for _ in range(2)
            ]
            for one in writers:
                one.start()
            time.sleep(chance.uniform(0.0, 0.25))
        finally:
            os.kill(process.pid, signal.SIGKILL)
            process.communicate()
        for one in writers:
            one.join()
    journal = LabelJournal(folder / "labels", "r01")
    kept = {one.label: {"intervals": [[1e3 * end for end in one.intervals[0]]]} for one in journal.firings()}
    check_all_there(saved, kept)
    lines = (folder / "labels" / "r01.jsonl").read_text().splitlines()
    return len(saved), len(lines)


def test_nothing_acknowledged_is_lost_when_the_server_is_killed(tmp_path):
    acknowledged, lines = kill_often(make_set(tmp_path / "set"), 5, seed=11)
    assert acknowledged > 20
    assert lines >= acknowledged


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as place:
        number = int(sys.argv[1]) if len(sys.argv) > 1 else 200
        begun = time.monotonic()
        counted = kill_often(make_set(Path(place) / "set"), number, seed=int(begun))
        took = time.monotonic() - begun
        sys.stdout.write(f"{number} kills: {counted[0]} labels acknowledged, all there; {counted[1]} lines on record; "
                         f"{took:.0f} s\n")  # fmt: skip
