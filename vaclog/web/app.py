"""The page's server: a few files, one stream of events, three small orders.

Enters: requests. Leaves: answers. Files may be had by anyone who calls the page by a name that
it goes by; the stream and the orders ask for a cookie, orders for one that allows them.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from importlib import resources
from string import Template
from typing import Any, Final

from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse, Response, StreamingResponse
from starlette.routing import Route
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from vaclog.analysis.holds.readings import LIST, UNDO, parse_list
from vaclog.daemon.desk import Desk, Handed
from vaclog.errors import ReadingError
from vaclog.guidance.instructions import Tap
from vaclog.web.access import COOKIE, Access
from vaclog.web.hub import Hub
from vaclog.web.invited import Level
from vaclog.web.words import ENGLISH, PageWords

_TYPES: Final = {
    "html": "text/html; charset=utf-8",
    "css": "text/css; charset=utf-8",
    "js": "text/javascript; charset=utf-8",
}

# Everything from here and from nowhere else; no script or style within the page itself, no
# frame around it, nothing sent along to where a link leads.
HEADERS: Final = {
    "content-security-policy": "default-src 'none'; script-src 'self'; style-src 'self'; "
    "connect-src 'self'; img-src 'self' data:; media-src 'self' blob:; base-uri 'none'; "
    "form-action 'none'; frame-ancestors 'none'",
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cross-origin-resource-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cache-control": "no-store",
}

_MOST_BODY: Final = 2048
# A cookie that lasts a season of work; the digest behind it may be forgotten sooner.
_COOKIE_S: Final = 180 * 24 * 3600
# Beyond this a strobe reading is a slip of the thumb.
_MOST_DEG: Final = 90.0

Address = Callable[[str], str]


def make_app(
    hub: Hub,
    access: Access,
    desk: Desk,
    *,
    address: Address = lambda token: f"/#{token}",
    words: PageWords = ENGLISH,
) -> ASGIApp:
    """Put the server together.

    Parameters
    ----------
    hub
        What is sent to pages.
    access
        Who may see it.
    desk
        Where taps go.
    address
        Makes the address of an invitation from its token.
    words
        The page's own words.
    """
    files = _files(words)

    def file(request: Request) -> Response:
        name = request.path_params.get("name") or "index.html"
        if name not in files:
            return PlainTextResponse("There is no such page.", status_code=404)
        return Response(files[name], media_type=_TYPES[name.rpartition(".")[2]])

    async def join(request: Request) -> Response:
        body = await _order(request)
        token = body.get("token")
        entry = access.redeem(token, _caller(request)) if isinstance(token, str) else None
        if entry is None:
            return _refusal(403, "This invitation was used already or is wrong.")
        cookie, level = entry
        answer = JSONResponse({"control": level == "control"})
        answer.set_cookie(
            _cookie_name(request),
            cookie,
            max_age=_COOKIE_S,
            httponly=True,
            samesite="strict",
            path="/",
        )
        return answer

    def me(request: Request) -> Response:
        level = _level(request, access)
        if level is None:
            return _refusal(401, "Not invited.")
        return JSONResponse({"control": level == "control"})

    async def events(request: Request) -> Response:
        level = _level(request, access)
        if level is None:
            return _refusal(401, "Not invited.")
        return StreamingResponse(
            _stream(hub, level), media_type="text/event-stream", headers={"x-accel-buffering": "no"}
        )

    async def say(request: Request) -> Response:
        if (refusal := _may_order(request, access)) is not None:
            return refusal
        handed = _handed(await _order(request))
        if handed is None:
            return _refusal(400, "Not understood.")
        if handed.kind == "strobe" and handed.text.startswith(LIST):
            try:
                listed = parse_list(handed.text.removeprefix(LIST))
            except ReadingError as error:
                return _refusal(400, str(error))
            if not listed:
                # It would take away all readings that were tapped.
                return _refusal(400, "There is no reading in the list.")
        desk.hand_in(handed)
        return Response(status_code=204)

    async def invite(request: Request) -> Response:
        if (refusal := _may_order(request, access)) is not None:
            return refusal
        level: Level = "control" if (await _order(request)).get("control") is True else "watch"
        from vaclog.web.code import svg

        where = address(access.invite(level))
        return JSONResponse({"address": where, "svg": svg(where)})

    routes = [
        Route("/", file),
        Route("/me", me),
        Route("/events", events),
        Route("/join", join, methods=["POST"]),
        Route("/say", say, methods=["POST"]),
        Route("/invite", invite, methods=["POST"]),
        Route("/{name}", file),
    ]
    return _Guarded(Starlette(routes=routes), access)


class _Guarded:
    """Refuses foreign names and puts the headers on every answer."""

    def __init__(self, app: ASGIApp, access: Access) -> None:
        self._app, self._access = app, access

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            return

        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                message["headers"] = [
                    *(pair for pair in message["headers"] if pair[0].decode() not in HEADERS),
                    *((name.encode(), value.encode()) for name, value in HEADERS.items()),
                ]
            await send(message)

        request = Request(scope)
        host, origin = request.headers.get("host", ""), request.headers.get("origin")
        if not self._access.is_host(host):
            self._access.refuse("called by a foreign name (Host header)", _caller(request))
            await _refusal(421, "This page does not go by that name.")(scope, receive, with_headers)
        elif request.method == "POST" and not self._access.is_origin(origin):
            self._access.refuse("an order from a foreign page (Origin header)", _caller(request))
            await _refusal(403, "Orders come from this page alone.")(scope, receive, with_headers)
        else:
            await self._app(scope, receive, with_headers)


async def _stream(hub: Hub, level: Level) -> Any:
    """What this watcher may do, then what all are sent."""
    yield f"event: you\ndata: {json.dumps({'control': level == 'control'})}\n\n".encode()
    async for data in hub.watch():
        yield data


def _cookie_name(request: Request) -> str:
    """Cookies know no ports: of two listeners on one machine each has its own name."""
    return f"{COOKIE}-{request.headers.get('host', '').rpartition(':')[2]}"


def _may_order(request: Request, access: Access) -> Response | None:
    level = _level(request, access)
    if level == "control":
        return None
    access.refuse("an order without leave to give one", _caller(request))
    return _refusal(401 if level is None else 403, "This phone may look, not tap.")


def _level(request: Request, access: Access) -> Level | None:
    cookie = request.cookies.get(_cookie_name(request))
    level = access.level(cookie)
    if cookie and level is None:
        access.refuse("a cookie of an earlier run, or a made-up one", _caller(request))
    return level


async def _order(request: Request) -> dict[str, Any]:
    """Body of an order: a small JSON object; empty where it is none.

    Only JSON is read: a form on a foreign page cannot send that without asking first.
    """
    if request.headers.get("content-type", "").partition(";")[0] != "application/json":
        return {}
    body = bytearray()
    async for part in request.stream():
        body += part
        if len(body) > _MOST_BODY:
            return {}
    try:
        order = json.loads(body)
    except (ValueError, RecursionError):
        return {}
    return order if isinstance(order, dict) else {}


def _handed(order: dict[str, Any]) -> Handed | None:
    """What was said, if it is something that may be said."""
    kind, text, value = order.get("kind"), order.get("text", ""), order.get("value_deg")
    if kind == "tap" and isinstance(text, str) and text in {each.value for each in Tap}:
        return Handed(kind="tap", text=text)
    if kind == "marker":
        return Handed(kind="marker")
    if kind == "strobe" and isinstance(value, int | float) and not isinstance(value, bool):
        deg = float(value)
        if math.isfinite(deg) and abs(deg) <= _MOST_DEG:
            return Handed(kind="strobe", value_deg=deg)
    if kind == "strobe" and value is None and text == UNDO:
        return Handed(kind="strobe", text=UNDO)
    if kind == "strobe" and value is None and isinstance(text, str) and text.startswith(LIST):
        return Handed(kind="strobe", text=text)
    return None


def _caller(request: Request) -> str:
    return request.client.host if request.client is not None else "somebody"


def _refusal(status: int, text: str) -> Response:
    return PlainTextResponse(text, status_code=status)


def _files(words: PageWords) -> dict[str, bytes]:
    """The page's files, its words put in."""
    folder = resources.files("vaclog.web") / "page"
    files = {each.name: each.read_bytes() for each in folder.iterdir()}
    # "</" would end the block of words in the page.
    said = {"words": json.dumps(dict(words.spoken_by_script)).replace("</", "<\\/")}
    page = Template(files["index.html"].decode()).substitute(words.in_page, **said)
    return {**files, "index.html": page.encode()}
