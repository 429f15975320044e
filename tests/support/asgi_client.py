"""Requests to an ASGI application without a server and without a socket, as a browser would send them."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Awaitable, Callable, Mapping, MutableMapping
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import unquote

Message = MutableMapping[str, Any]
AsgiApp = Callable[
    [MutableMapping[str, Any], Callable[[], Awaitable[Message]], Callable[[Message], Awaitable[None]]], Awaitable[None]
]


@dataclass
class Reply:
    """A reply, which may still grow."""

    messages: list[Message] = field(default_factory=list)
    """As the application sent them."""

    @property
    def status_code(self) -> int:
        """Status code."""
        return int(self.messages[0]["status"])

    @property
    def headers(self) -> dict[str, str]:
        """By their names in lower case."""
        return {name.decode(): value.decode("latin-1") for name, value in self.messages[0]["headers"]}

    @property
    def content(self) -> bytes:
        """The body so far."""
        return b"".join(message.get("body", b"") for message in self.messages[1:])

    def json(self) -> Any:
        """The body as JSON."""
        return json.loads(self.content)


class AsgiClient:
    """Sends requests under the name ``host``."""

    def __init__(self, app: AsgiApp, host: str, scheme: str = "http") -> None:
        self._app, self._host, self._scheme = app, host, scheme

    def get(self, path: str, headers: Mapping[str, str] | None = None) -> Reply:
        """A whole GET."""
        return self.request("GET", path, headers)

    def request(self, method: str, path: str, headers: Mapping[str, str] | None = None) -> Reply:
        """A whole request of this method."""

        async def whole() -> Reply:
            reply, _, task = await self.start(method, path, headers)
            await asyncio.wait_for(task, 30)
            return reply

        return asyncio.run(whole())

    async def start(
        self, method: str, path: str, headers: Mapping[str, str] | None = None
    ) -> tuple[Reply, asyncio.Event, asyncio.Task[None]]:
        """A request in progress: its reply, what ends its connection when it is set, and the task that serves it."""
        reply, gone = Reply(), asyncio.Event()

        async def receive() -> Message:
            await gone.wait()
            return {"type": "http.disconnect"}

        async def send(message: Message) -> None:
            reply.messages.append(message)

        async def serve() -> None:
            await self._app(scope, receive, send)

        target, _, query = path.partition("?")
        sent = {"host": self._host, **(headers or {})}
        scope = {
            "type": "http",
            "http_version": "1.1",
            "method": method,
            "scheme": self._scheme,
            "path": unquote(target),
            "raw_path": target.encode(),
            "query_string": query.encode(),
            "root_path": "",
            "headers": [(name.lower().encode(), value.encode("latin-1")) for name, value in sent.items()],
        }
        return reply, gone, asyncio.create_task(serve())
