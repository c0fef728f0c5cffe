"""What every request has to pass before the app sees it, and what every answer carries."""

from __future__ import annotations

import hmac
from http.cookies import CookieError, SimpleCookie
from urllib.parse import parse_qs, urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

#: Names of this machine that are no other address.
LOOPBACK = ("127.0.0.1", "localhost", "::1")
COOKIE = "sigkit_label"
#: Most bytes of a request's body and of its address (our choice; a save of one firing has about 1 KiB).
MOST_BODY_BYTES = 1 << 20
MOST_ADDRESS_BYTES = 4096

#: Everything comes from the app itself; no frame, no form, no plug-in, nothing from the network.
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; "
    "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
ANSWER_HEADERS = {
    "content-security-policy": POLICY,
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cache-control": "no-store",
    "cross-origin-resource-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
}


class WebSafety:
    """ASGI layer: right host, right origin, right token, bounded sizes; safe headers on every answer.

    The host check stops a foreign name that was made to point at this machine; the origin check stops a foreign page
    that sends requests from the reader's own browser.

    Parameters
    ----------
    app : ASGI app
    hosts : tuple of str or None
        Host names requests may name; None takes any, which needs a token.
    port : int
        Port they must name.
    token : str
        ``""`` on loopback; else every request must carry it, first as ``?token=``, then as a cookie.
    """

    def __init__(self, app: ASGIApp, hosts: tuple[str, ...] | None, port: int, token: str = "") -> None:
        if hosts is None and not token:
            raise ValueError("any host needs a token")
        self.app = app
        self.hosts = hosts
        self.port = port
        self.token = token

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            return
        headers = Headers(scope=scope)

        async def send_safely(message: Message) -> None:
            if message["type"] == "http.response.start":
                MutableHeaders(scope=message).update(ANSWER_HEADERS)
            await send(message)

        refusal = self._refusal(scope, headers) or self._ask_token(scope, headers)
        if refusal is not None:
            await refusal(scope, receive, send_safely)
            return
        await self.app(scope, _bounded(receive), send_safely)

    def _refusal(self, scope: Scope, headers: Headers) -> Response | None:
        if len(scope["path"]) + len(scope["query_string"]) > MOST_ADDRESS_BYTES:
            return PlainTextResponse("the address is too long", 414)
        if not self._is_ours("http://" + headers.get("host", "")):
            return PlainTextResponse("this host name is not served here", 421)
        if scope["method"] not in ("GET", "HEAD", "POST"):
            return PlainTextResponse("only GET, HEAD and POST", 405)
        origin = headers.get("origin")
        if origin is not None and origin != "http://" + headers.get("host", ""):
            return PlainTextResponse("requests from other pages are refused", 403)
        if headers.get("sec-fetch-site", "same-origin") not in ("same-origin", "none"):
            # A link from elsewhere may open the page, as a navigation, and nothing more.
            if scope["method"] != "GET" or scope["path"] != "/" or headers.get("sec-fetch-mode") != "navigate":
                return PlainTextResponse("requests from other pages are refused", 403)
        if scope["method"] == "POST":
            # A form of a foreign page cannot send this type without asking first.
            if headers.get("content-type", "").partition(";")[0].strip() != "application/json":
                return PlainTextResponse("send application/json", 415)
            length = headers.get("content-length", "")
            if not length.isdecimal() or int(length) > MOST_BODY_BYTES:
                return PlainTextResponse(f"send a length of at most {MOST_BODY_BYTES} bytes", 413)
        return None

    def _is_ours(self, address: str) -> bool:
        try:
            parts = urlsplit(address)
            host, port = parts.hostname, parts.port or 80
        except ValueError:
            return False
        known = bool(host) and (self.hosts is None or host in self.hosts)
        return known and port == self.port and parts.path == "" and "@" not in parts.netloc

    def _ask_token(self, scope: Scope, headers: Headers) -> Response | None:
        if not self.token:
            return None
        cookie: SimpleCookie = SimpleCookie()
        try:
            cookie.load(headers.get("cookie", ""))
        except CookieError:
            cookie.clear()
        held = cookie[COOKIE].value if COOKIE in cookie else ""
        if hmac.compare_digest(held.encode(), self.token.encode()):
            return None
        given = parse_qs(scope["query_string"].decode("latin-1")).get("token", [""])[0]
        if scope["path"] == "/" and hmac.compare_digest(given.encode(), self.token.encode()):
            answer = RedirectResponse("/", 303)
            answer.set_cookie(COOKIE, self.token, httponly=True, samesite="strict")
            return answer
        return PlainTextResponse("open the address with the token that sigkit label printed", 401)


def _bounded(receive: Receive) -> Receive:
    """Stop reading a body that is longer than it said."""
    taken = 0

    async def receive_bounded() -> Message:
        nonlocal taken
        message = await receive()
        taken += len(message.get("body", b""))
        if taken > MOST_BODY_BYTES:
            return {"type": "http.disconnect"}
        return message

    return receive_bounded
