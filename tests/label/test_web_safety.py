"""Requests that the page would not make are refused, and every answer carries the safe headers."""

import json
import os
import subprocess
import sys

import numpy as np
import pytest

from sigkit.label.web_app import COLOURS
from sigkit.label.web_safety import MOST_BODY_BYTES, POLICY, WebSafety


def test_an_honest_page_is_answered_with_safe_headers(new_session, serve):
    server = serve(new_session())
    for path in ("/", "/main.js", "/uPlot.iife.min.js", "/api/start", "/nothing"):
        status, headers, body = server.ask(path)
        assert status == (404 if path == "/nothing" else 200)
        assert headers["content-security-policy"] == POLICY
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["cache-control"] == "no-store"
        assert "access-control-allow-origin" not in headers
        assert body
    assert "unsafe" not in POLICY
    assert "http" not in POLICY


def test_marks_have_the_colours_of_the_report():
    from sigkit.report.figure_style import INSTANT_MARKS

    assert {name: colour for name, (colour, _, _) in INSTANT_MARKS.items()} == COLOURS


def test_the_page_names_nothing_of_the_network(new_session, serve):
    server = serve(new_session())
    for path in ("/", "/label.css", "/main.js", "/trace_view.js", "/server_calls.js", "/side_panel.js"):
        _, _, body = server.ask(path)
        assert b"http://" not in body.replace(b"http://www.w3.org", b"")
        assert b"https://" not in body


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({"Host": "evil.example"}, 421),
        ({"Host": "evil.example:{port}"}, 421),
        ({"Host": "127.0.0.1:1"}, 421),
        ({"Host": "127.0.0.1@evil.example:{port}"}, 421),
        ({"Host": ""}, 421),
        ({"Origin": "http://evil.example"}, 403),
        ({"Origin": "null"}, 403),
        ({"Origin": "https://127.0.0.1:{port}"}, 403),
        ({"Sec_Fetch_Site": "cross-site"}, 403),
        ({"Sec_Fetch_Site": "same-site"}, 403),
        ({"Origin": "http://127.0.0.1:{port}"}, 200),
        ({"Host": "localhost:{port}"}, 200),
    ],
)
def test_other_hosts_and_origins_are_refused(new_session, serve, headers, status):
    server = serve(new_session())
    sent = {name: value.replace("{port}", str(server.port)) for name, value in headers.items()}
    assert server.ask("/api/start", **sent)[0] == status


def test_saving_takes_json_of_bounded_size_from_the_page_only(new_session, serve, answer_of):
    session = new_session()
    server = serve(session)
    good = answer_of(session, session.tasks[0].token)
    assert server.ask("/api/save", "POST", good, Content_Type="text/plain")[0] == 415
    assert server.ask("/api/save", "POST", good, Origin="http://evil.example")[0] == 403
    assert server.ask("/api/save", "POST", b"[" * (MOST_BODY_BYTES + 1))[0] == 413
    assert server.ask("/api/save", "PUT", good)[0] == 405
    assert server.ask("/api/save")[0] == 405
    for body in (b"", b"[]", b"{", b"[" * 100_000, b"\xff\xfe", b'{"item": 5}', b'{"item": "x", "firings": 3}'):
        status, told = server.json("/api/save", "POST", body)
        assert status == 400
        assert told["message"]
    assert session.journal.entries() == []
    assert server.json("/api/save", "POST", good)[0] == 200
    assert len(session.journal.entries()) == 1


def test_a_conflict_is_told_with_what_is_there(new_session, serve, answer_of):
    session = new_session()
    server = serve(session)
    token = session.tasks[0].token
    one, other = answer_of(session, token, 6.0, 7.0), answer_of(session, token, 6.0, 7.5)
    assert server.json("/api/save", "POST", one)[0] == 200
    status, told = server.json("/api/save", "POST", other)
    assert status == 409
    assert told["conflict"][0]["intervals"][0] == pytest.approx([6.0, 7.0])


@pytest.mark.parametrize(
    "path",
    ["/../pyproject.toml", "/..%2f..%2fpyproject.toml", "/vendor/uplot/LICENSE", "/captures/quay-heron-11.npz",
     "/page/main.js", "//etc/passwd", "/%2e%2e/label_session.py", "/labels/r01.jsonl"],
)  # fmt: skip
def test_no_path_leads_to_a_file_that_is_not_the_page(new_session, serve, path):
    status, _, body = serve(new_session()).ask(path)
    assert status == 404
    assert b"sigkit" not in body


@pytest.mark.parametrize(
    "query",
    ["item=../../x", "channel=-1", "channel=99", "channel=nan", "from_ms=inf", "from_ms=", "buckets=x",
     "buckets=1e999"],
)
def test_wrong_questions_for_a_trace_are_refused_and_huge_ones_bounded(new_session, serve, query):
    session = new_session()
    server = serve(session)
    asked = {"item": session.tasks[0].token, "channel": "0", "from_ms": "0", "to_ms": "10", "buckets": "100"}
    name, _, value = query.partition("=")
    text = "&".join(f"{key}={each}" for key, each in {**asked, name: value}.items())
    status, told = server.json(f"/api/trace?{text}")
    assert status == 400
    assert told["message"]
    wide = "&".join(f"{key}={each}" for key, each in {**asked, "from_ms": "-1e300", "to_ms": "1e300",
                                                       "buckets": "1e12"}.items())  # fmt: skip
    status, headers, body = server.ask(f"/api/trace?{wide}")
    assert status == 200
    assert headers["x-form"] == "exact"
    assert np.frombuffer(body, "<f4").size == 16_000


def test_another_address_asks_for_the_token(new_session, serve):
    server = serve(new_session(), token="a-long-secret")
    assert server.ask("/")[0] == 401
    assert server.ask("/api/start")[0] == 401
    assert server.ask("/?token=a-long-secre")[0] == 401
    assert server.ask("/api/start?token=a-long-secret")[0] == 401
    status, headers, _ = server.ask("/?token=a-long-secret")
    assert (status, headers["location"]) == (303, "/")
    kept = headers["set-cookie"]
    assert "HttpOnly" in kept
    assert "SameSite=strict" in kept
    assert server.ask("/api/start", Cookie=kept.partition(";")[0])[0] == 200
    assert server.ask("/api/start", Cookie="sigkit_label=wrong")[0] == 401


def test_any_host_needs_a_token():
    with pytest.raises(ValueError, match="token"):
        WebSafety(None, None, 80)


def test_blind_faults_name_no_file(new_session, serve, label_set):
    session = new_session()
    server = serve(session)
    for path in (label_set / "captures").glob("*.npz"):
        os.truncate(path, 100)
    session.store._open.clear()
    session.store._extremes.clear()
    status, told = server.json(f"/api/item?item={session.tasks[0].token}")
    assert status == 500
    assert "npz" not in json.dumps(told)
    assert told["message"]


def test_the_command_refuses_names_as_reader_ids(label_set):
    command = [sys.executable, "-c", "from sigkit.cli.main import main; main()", "label", str(label_set)]
    done = subprocess.run([*command, "--reader", "Anna M"], capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == 1
    assert "no names of persons" in done.stderr
