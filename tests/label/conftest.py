"""A running labelling server, and a way to ask it anything, right or wrong."""

from __future__ import annotations

import http.client
import json
import socket
import threading
import time

import pytest

from sigkit.label.label_session import LabelSession
from sigkit.label.label_settings import LabelSettings


class Server:
    """The app behind its safety layer, served by uvicorn in a thread."""

    def __init__(self, session, token=""):
        import uvicorn

        from sigkit.label.web_app import make_app
        from sigkit.label.web_safety import LOOPBACK, WebSafety

        self.session = session
        listening = socket.create_server(("127.0.0.1", 0))
        self.port = listening.getsockname()[1]
        app = WebSafety(make_app(session), LOOPBACK, self.port, token)
        self.uvicorn = uvicorn.Server(uvicorn.Config(app, log_level="warning", lifespan="off", ws="none"))
        self.thread = threading.Thread(target=self.uvicorn.run, kwargs={"sockets": [listening]}, daemon=True)
        self.thread.start()
        deadline = time.monotonic() + 10
        while not self.uvicorn.started and time.monotonic() < deadline:
            time.sleep(0.01)
        assert self.uvicorn.started
        self.listening = listening

    def ask(self, path, method="GET", body=None, **headers):
        """Return status, headers and body of a request; keyword headers replace those of an honest one."""
        sent = {"Host": f"127.0.0.1:{self.port}"}
        if body is not None:
            sent["Content-Type"] = "application/json"
            body = body if isinstance(body, bytes) else json.dumps(body).encode()
        sent.update({name.replace("_", "-"): value for name, value in headers.items()})
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=10)
        try:
            connection.request(method, path, body=body, headers=sent)
            answer = connection.getresponse()
            return answer.status, answer.headers, answer.read()
        finally:
            connection.close()

    def json(self, path, method="GET", body=None, **headers):
        status, _, text = self.ask(path, method, body, **headers)
        return status, json.loads(text)

    def stop(self):
        self.uvicorn.should_exit = True
        self.thread.join(10)
        self.listening.close()


@pytest.fixture
def label_set(make_label_set, tmp_path):
    return make_label_set(tmp_path / "set")


@pytest.fixture
def new_session(label_set):
    def make(reader="r01", **settings):
        settings.setdefault("proposals", (label_set / "proposals.csv",))
        return LabelSession(label_set, LabelSettings(reader, **settings))

    return make


@pytest.fixture
def serve():
    running = []

    def start(session, token=""):
        running.append(Server(session, token))
        return running[-1]

    yield start
    for one in running:
        one.stop()


@pytest.fixture
def answer_of():
    """Return what makes the body that the page sends for a task: two marks in milliseconds of the page."""

    def make(session, token, begin=6.0, end=7.0, entry=None, **more):
        from sigkit.corpus.label_journal import new_entry_id

        told = session.item(token)
        firing = {
            "entry": entry or new_entry_id(), "label": told["label"], "channel": told["channel"],
            "based_on": told["history"][-1]["entry"] if told["history"] else "", "answer": "measured",
            "intervals": [[begin, end]], "coil_on": [], "coil_off": [], "polarity": 0,
        }  # fmt: skip
        firing.update(more)
        return {"item": token, "queue": "unlabelled", "aids": [], "firings": [firing], "mark": None}

    return make
