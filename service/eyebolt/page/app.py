"""The web application: four files, the stream of states, the newest view, the result. It answers GET and HEAD only.

Built on Starlette, which is loaded with this module only: it is an extra of the distribution.
"""

from __future__ import annotations

import re
from collections.abc import AsyncIterator, Awaitable, Callable, Mapping
from importlib import resources
from typing import TYPE_CHECKING
from urllib.parse import parse_qs

from starlette.applications import Starlette
from starlette.datastructures import Headers, MutableHeaders
from starlette.exceptions import HTTPException
from starlette.requests import Request, cookie_parser
from starlette.responses import PlainTextResponse, RedirectResponse, Response, StreamingResponse
from starlette.routing import Route
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from eyebolt.page.access import PageAccess
from eyebolt.page.content import VIEW_MEDIA_TYPE
from eyebolt.page.feed import Feed

if TYPE_CHECKING:
    from eyebolt.page.result import ResultReader

MAX_BROWSERS = 16
"""Open pages at a time; the next one is told so."""
_ALIVE_EVERY_S = 2.0
_COOKIE_AGE_S = 90 * 86400
_FILES = {
    "/": ("page.html", "text/html"),
    "/page.css": ("page.css", "text/css"),
    "/page.js": ("page.js", "text/javascript"),
    "/icon.svg": ("icon.svg", "image/svg+xml"),
}
_HEADERS = {
    # Only what this server sends under its own name; no inline code or style, no frame, no form.
    "content-security-policy": "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self';"
    " connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none';"
    " require-trusted-types-for 'script'; trusted-types 'none'",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), geolocation=(), microphone=()",
    "referrer-policy": "no-referrer",
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    # What is seen in a cell does not stay in the tablet.
    "cache-control": "no-store",
}


def page_app(feed: Feed, access: PageAccess, results: ResultReader | None = None) -> ASGIApp:
    """The application that shows what ``feed`` holds."""
    pages = _Pages(feed, results)
    routes = [Route(path, _file(*content)) for path, content in _FILES.items()]
    routes += [Route("/events", pages.events), Route("/view", pages.view), Route("/result", pages.result)]
    app = Starlette(routes=routes, exception_handlers={HTTPException: _refuse, Exception: _fail})
    # A redirect from "/events/" would repeat the name under which the page was asked for.
    app.router.redirect_slashes = False
    return _Guard(app, access)


def _file(name: str, media_type: str) -> Callable[[Request], Awaitable[Response]]:
    content = resources.files("eyebolt.page").joinpath("static", name).read_bytes()

    async def reply(request: Request) -> Response:
        return Response(content, media_type=media_type)

    return reply


async def _refuse(request: Request, reason: Exception) -> Response:
    status = reason.status_code if isinstance(reason, HTTPException) else 500
    return PlainTextResponse("There is nothing at this address. The page is at /.\n", status)


async def _fail(request: Request, reason: Exception) -> Response:
    return PlainTextResponse("The page program has a defect; the daemon is not affected. Restart it.\n", 500)


class _Pages:
    """The replies that change."""

    def __init__(self, feed: Feed, results: ResultReader | None) -> None:
        self._feed, self._results, self._open = feed, results, 0

    async def events(self, request: Request) -> Response:
        """Server-sent events: ``state`` with each change, ``alive`` where nothing changes."""
        if request.method == "HEAD":
            full = self._open >= MAX_BROWSERS
            return Response(status_code=503 if full else 200, media_type="text/event-stream")
        if self._open >= MAX_BROWSERS:
            text = f"The page is open in {MAX_BROWSERS} browsers already. Close one of them.\n"
            return PlainTextResponse(text, 503, {"retry-after": "10"})
        return StreamingResponse(self._states(), media_type="text/event-stream")

    async def _states(self) -> AsyncIterator[bytes]:
        self._open += 1
        try:
            number = 0
            yield b"retry: 1000\n\n"
            while not self._feed.is_ended:
                if await self._feed.next_state(number, _ALIVE_EVERY_S):
                    number = self._feed.state_number
                    yield b"event: state\ndata: " + self._feed.state + b"\n\n"
                else:
                    yield b"event: alive\ndata:\n\n"
        finally:
            self._open -= 1

    async def view(self, request: Request) -> Response:
        """The newest view that is newer than ``?after=``; 204 if none comes within two seconds."""
        after = request.query_params.get("after", "0")
        if request.method == "HEAD":
            return Response(media_type=VIEW_MEDIA_TYPE)
        view = await self._feed.next_view(int(after) if re.fullmatch("[0-9]{1,15}", after) else 0)
        return Response(status_code=204) if view is None else Response(view.body(), media_type=VIEW_MEDIA_TYPE)

    async def result(self, request: Request) -> Response:
        """The result of the session with its error map; 404 while there is none."""
        text = None if self._results is None else self._results.text
        if text is None:
            return PlainTextResponse("There is no result yet.\n", 404)
        return Response(text, media_type="application/json")


class _Guard:
    """Refuses what is not a read of this page by who may read it, and adds the headers to every reply."""

    def __init__(self, app: ASGIApp, access: PageAccess) -> None:
        self._app, self._access = app, access

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                MutableHeaders(scope=message).update(_HEADERS)
            await send(message)

        reply: ASGIApp = self._refusal(scope) or self._app
        await reply(scope, receive, send_with_headers)

    def _refusal(self, scope: Scope) -> Response | None:
        headers = Headers(scope=scope)
        if scope["method"] not in ("GET", "HEAD"):
            return PlainTextResponse("This page can only be read.\n", 405, {"allow": "GET, HEAD"})
        if len(headers.getlist("host")) != 1 or not self._access.is_own_name(headers["host"]):
            text = (
                f"This page is not served under that name. Open {self._access.origin}/, or start it with --name NAME.\n"
            )
            return PlainTextResponse(text, 421)
        return None if self._access.token is None else self._authorization(scope, headers)

    def _authorization(self, scope: Scope, headers: Mapping[str, str]) -> Response | None:
        """None for a browser that has the cookie; the cookie for one that brings the token; a refusal for any other."""
        access = self._access
        tokens = parse_qs(scope["query_string"].decode("ascii", "replace"), max_num_fields=10).get("token")
        if tokens is not None and len(tokens) == 1 and access.is_token(tokens[0]):
            reply = RedirectResponse("/", 303)
            reply.set_cookie(
                access.cookie_name,
                access.cookie_value,
                max_age=_COOKIE_AGE_S,
                path="/",
                secure=True,
                httponly=True,
                samesite="strict",
            )
            return reply
        if tokens is None and access.is_cookie(cookie_parser(headers.get("cookie", "")).get(access.cookie_name, "")):
            return None
        text = "This page is shown to whoever opens it with its token: ask for the link on the cell's PC.\n"
        return PlainTextResponse(text, 401)
