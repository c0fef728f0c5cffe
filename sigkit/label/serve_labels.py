"""Serve the labelling page to one reader."""

from __future__ import annotations

import secrets
import socket
from collections.abc import Callable

from sigkit.errors import SettingsError
from sigkit.label.label_session import LabelSession
from sigkit.label.web_app import make_app
from sigkit.label.web_safety import LOOPBACK, WebSafety


def serve_labels(
    session: LabelSession, *, host: str = "127.0.0.1", port: int = 8765, announce: Callable[[str], object]
) -> None:
    """Serve until interrupted.

    Parameters
    ----------
    session : LabelSession
    host : str
        Address to listen on. Any but loopback gets a random token, which the announced address carries.
    port : int
        0 takes a free one.
    announce : callable
        Is told the address to open, once it answers.

    Raises
    ------
    SettingsError
        When the address cannot be had.
    """
    import uvicorn

    try:
        family = socket.AF_INET6 if ":" in host else socket.AF_INET
        listening = socket.create_server((host, port), family=family)
    except (OSError, OverflowError) as fault:
        raise SettingsError(f"cannot listen on {host} port {port}: {fault}; choose another --port") from fault
    port = listening.getsockname()[1]
    token = "" if host in LOOPBACK else secrets.token_urlsafe(24)
    everywhere = host in ("0.0.0.0", "::")
    hosts = LOOPBACK if host in LOOPBACK else None if everywhere else (*LOOPBACK, host)
    app = WebSafety(make_app(session), hosts, port, token)
    settings = uvicorn.Config(app, log_level="warning", access_log=False, lifespan="off", ws="none",
                              server_header=False, date_header=False, timeout_graceful_shutdown=2)  # fmt: skip
    named = socket.gethostname() if everywhere else host
    shown = f"[{named}]" if ":" in named else named
    announce(f"http://{shown}:{port}/" + (f"?token={token}" if token else ""))
    with listening:
        uvicorn.Server(settings).run(sockets=[listening])

