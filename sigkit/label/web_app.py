"""The pages and answers of the labelling app, over HTTP."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse, PlainTextResponse, Response
from starlette.routing import Route

from sigkit.corpus.label_journal import LabelConflict
from sigkit.corpus.label_record import ANSWERS, CERTAINTIES, LabelError
from sigkit.errors import SigkitError
from sigkit.label.label_session import LabelSession
from sigkit.types.firing_table import CONDITIONS, ROLES, UNKNOWN

PAGE = Path(__file__).parent / "page"
#: Every file that is served, and its type; no path of a request is ever joined to a folder.
FILES = {
    "/": ("index.html", "text/html; charset=utf-8"),
    "/label.css": ("label.css", "text/css"),
    "/favicon.svg": ("favicon.svg", "image/svg+xml"),
    "/uPlot.iife.min.js": ("vendor/uplot/uPlot.iife.min.js", "text/javascript"),
    "/uPlot.min.css": ("vendor/uplot/uPlot.min.css", "text/css"),
    **{
        f"/{name}.js": (f"{name}.js", "text/javascript")
        for name in ("main", "server_calls", "label_state", "trace_view", "draw_marks", "time_axis", "side_panel",
                     "pointer_input", "key_input", "tool_bar", "whole_capture", "snap_mark")
    },
}  # fmt: skip

#: Colours of the marks, those of `sigkit.report.figure_style` (a test compares them): importing the report's pictures
#: would cost the page's start half a second.
COLOURS = {"coil_on": "#009E73", "coil_off": "#0072B2", "breakdown": "#D55E00", "burn_end": "#CC79A7"}


class BadRequest(SigkitError):
    """A question that the page would not ask."""


def make_app(session: LabelSession) -> Starlette:
    """Return the app of one reader's session; wrap it in `sigkit.label.web_safety.WebSafety` before serving."""

    async def serve_file(request: Request) -> Response:
        name, kind = FILES[request.url.path]
        return Response((PAGE / name).read_bytes(), media_type=kind)

    async def start(request: Request) -> Response:
        from sigkit.report.condition_words import condition_in_words

        told = await run_in_threadpool(session.describe)
        told |= {
            "answers": list(ANSWERS),
            "certainties": list(CERTAINTIES),
            "roles": list(ROLES),
            "conditions": [[UNKNOWN, "unknown"], *([one, condition_in_words(one)] for one in CONDITIONS)],
            "colours": COLOURS,
        }
        return JSONResponse(told)

    async def following(request: Request) -> Response:
        asked = request.query_params
        token = await run_in_threadpool(
            session.next_token, asked.get("queue", "unlabelled"), asked.get("tab", "")[:64], asked.get("skip", "")
        )
        return JSONResponse({"item": token})

    async def tokens(request: Request) -> Response:
        found = await run_in_threadpool(session.tokens, request.query_params.get("queue", "unlabelled"))
        return JSONResponse({"items": found})

    async def item(request: Request) -> Response:
        return JSONResponse(await run_in_threadpool(session.item, request.query_params.get("item", "")))

    async def trace(request: Request) -> Response:
        asked = request.query_params
        part, first_ms, step_ms = await run_in_threadpool(
            session.trace, asked.get("item", ""), int(_finite(asked, "channel")), _finite(asked, "from_ms"),
            _finite(asked, "to_ms"), int(_finite(asked, "buckets")),
        )  # fmt: skip
        headers = {"x-form": "exact" if part.exact else "extremes", "x-first-ms": repr(first_ms),
                   "x-step-ms": repr(step_ms)}  # fmt: skip
        return Response(part.values.astype("<f4").tobytes(), media_type="application/octet-stream", headers=headers)

    async def save(request: Request) -> Response:
        try:
            sent = json.loads(await request.body())
        except ClientDisconnect:
            return PlainTextResponse("the request is too long", 413)
        except (ValueError, RecursionError) as fault:
            raise BadRequest(f"the body is no JSON: {fault}") from fault
        if not isinstance(sent, dict):
            raise BadRequest("the body is no JSON object")
        try:
            saved = await run_in_threadpool(session.save, sent)
        except LabelConflict as conflict:
            held = [session.show_saved(str(sent["item"]), one) for one in conflict.present.values()]
            return JSONResponse({"conflict": held, "message": "another tab saved this meanwhile"}, 409)
        return JSONResponse({"saved": saved})

    routes: list[tuple[str, Callable, str]] = [
        *((path, serve_file, "GET") for path in FILES),
        ("/api/start", start, "GET"),
        ("/api/next", following, "GET"),
        ("/api/items", tokens, "GET"),
        ("/api/item", item, "GET"),
        ("/api/trace", trace, "GET"),
        ("/api/save", save, "POST"),
    ]
    app = Starlette(
        routes=[Route(path, endpoint, methods=[method]) for path, endpoint, method in routes],
        exception_handlers={LabelError: _refuse, BadRequest: _refuse, SigkitError: _explain, OSError: _fail},
    )
    app.state.session = session
    return app


def _refuse(request: Request, error: Exception) -> Response:
    return JSONResponse({"message": _for_reader(request, error)}, 400)


def _explain(request: Request, error: Exception) -> Response:
    return JSONResponse({"message": _for_reader(request, error)}, 500)


def _fail(request: Request, error: Exception) -> Response:
    """A disk that refuses: the reader must know that nothing was saved."""
    detail = error.strerror if isinstance(error, OSError) and error.strerror else type(error).__name__
    return JSONResponse({"message": f"not saved: {detail}"}, 500)


def _for_reader(request: Request, error: Exception) -> str:
    """Blind, no message may carry the name of a capture, so faults of files are told without them."""
    blind = request.app.state.session.settings.blind
    if blind and not isinstance(error, (LabelError, BadRequest)):
        return "this capture cannot be opened; sigkit dataset verify tells why"
    return str(error)


def _finite(asked: Any, name: str) -> float:
    try:
        value = float(asked[name])
    except (KeyError, ValueError) as fault:
        raise BadRequest(f"{name}: expected a number") from fault
    if not math.isfinite(value):
        raise BadRequest(f"{name}: expected a finite number")
    return value
