"""The newest status, and view, from the daemon's ZeroMQ socket, through restarts of the daemon and network failures.

Messages are checked and cleaned on arrival.
"""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, TypeVar

import zmq
from pydantic import BaseModel, ValidationError

from eyebolt.bounded_text import parse_json
from eyebolt.errors import MachineFault
from eyebolt.monitor.daemon_connection import DaemonConnection
from eyebolt.plain_text import sanitize
from eyebolt.protocol import STATUS_SCHEMA, STATUS_TOPIC, VIEW_SCHEMA, VIEW_TOPIC, StatusMessage, ViewMessage
from eyebolt.security import ClientKeys

# A status has a few kilobytes; a larger message does not come from the daemon.
_MAX_MESSAGE_BYTES = 1 << 20
# Messages read in one go before the screen is drawn again.
_MAX_BATCH = 1000


Message = TypeVar("Message", bound=BaseModel)


class UnreadableStatusError(ValueError):
    """A message that is not a status or a view; the text gives the reason, for a note on the screen."""


@dataclass(frozen=True)
class ReceivedView:
    """A view message as it was received."""

    message: ViewMessage
    """What was found in the image; strings are cleaned."""
    jpeg: bytes
    """The image, not decoded yet; empty where there is none."""


def decode_status(parts: Sequence[bytes]) -> StatusMessage:
    """The status in a multipart message, its strings cleaned by ``sanitize``. Raises UnreadableStatusError."""
    if len(parts) != 2 or parts[0] != STATUS_TOPIC:
        raise UnreadableStatusError("it does not have the two parts 'status' and JSON")
    return _decode(parts[1], StatusMessage, STATUS_SCHEMA)


def decode_view(parts: Sequence[bytes]) -> ReceivedView:
    """The view in a multipart message, its strings cleaned by ``sanitize``. Raises UnreadableStatusError."""
    if len(parts) != 3 or parts[0] != VIEW_TOPIC:
        raise UnreadableStatusError("it does not have the three parts 'view', JSON and JPEG")
    return ReceivedView(_decode(parts[1], ViewMessage, VIEW_SCHEMA), parts[2])


def _decode(text: bytes, form: type[Message], wanted_schema: int) -> Message:
    try:
        content = _sanitize_strings(parse_json(text, limit_values=False))
    except ValueError:
        raise UnreadableStatusError("its second part is not JSON") from None
    if not isinstance(content, dict):
        raise UnreadableStatusError("its JSON is not an object")
    schema = content.get("schema")
    if schema != wanted_schema:
        raise UnreadableStatusError(f"its schema is {str(schema)[:8]}, this program reads {wanted_schema}")
    try:
        return form.model_validate(content)
    except ValidationError as fault:
        first = fault.errors(include_url=False, include_input=False)[0]
        key = ".".join(str(part) for part in first["loc"])
        raise UnreadableStatusError(f"its '{key}' is invalid: {first['msg']}") from None


def _sanitize_strings(value: Any) -> Any:
    if isinstance(value, str):
        return sanitize(value)
    if isinstance(value, list):
        return [_sanitize_strings(item) for item in value]
    if isinstance(value, dict):
        return {key: _sanitize_strings(item) for key, item in value.items()}
    return value


class StatusSubscriber(DaemonConnection):
    """A subscription to one endpoint. The daemon may start before or after it, and may restart."""

    def __init__(self, endpoint: str, keys: ClientKeys | None = None, *, with_view: bool = False) -> None:
        """``with_view``: also to what the camera sees, which costs the daemon work; see ``subscribe_view``.

        Raises MachineFault ``status-address`` if ``endpoint`` is not a ZeroMQ address."""
        try:
            super().__init__(
                endpoint,
                keys,
                kind=zmq.SUB,
                role="watcher",
                max_message_bytes=_MAX_MESSAGE_BYTES,
                options={zmq.SUBSCRIBE: STATUS_TOPIC},
            )
        except zmq.ZMQError as fault:
            raise MachineFault(
                "status-address",
                f"'{endpoint}' is not a valid status address: {zmq.strerror(fault.errno or 0)}",
                "give the daemon's status address as tcp://HOST:PORT.",
                endpoint=endpoint,
            ) from None
        self.status: StatusMessage | None = None
        """Newest status; None before the first."""
        self.view: ReceivedView | None = None
        """Newest view; None before the first."""
        self._has_view = False
        self.subscribe_view(with_view)
        self._ignored_count, self._ignored_message = 0, ""
        self._received_at_s = time.monotonic()
        self._view_received_at_s = self._received_at_s

    def subscribe_view(self, wanted: bool) -> None:
        """Subscribes to what the camera sees, or ends that subscription."""
        if wanted != self._has_view:
            self.socket.set(zmq.SUBSCRIBE if wanted else zmq.UNSUBSCRIBE, VIEW_TOPIC)
            self._has_view = wanted
            self._view_received_at_s = time.monotonic()
            self.view = None

    @property
    def status_age_s(self) -> float:
        """Seconds since the newest status arrived, or since the subscription began."""
        return time.monotonic() - self._received_at_s

    @property
    def view_age_s(self) -> float:
        """Seconds since the newest view arrived, or since the subscription to them began."""
        return time.monotonic() - self._view_received_at_s

    @property
    def note(self) -> str:
        """Why the connection fails, or which message was last ignored and why; empty if neither."""
        return self._handshake.message or self._ignored_message

    @property
    def is_pending(self) -> bool:
        """Whether a connection is open that has brought neither a status nor the reason of a failure yet."""
        return self.status is None and self._handshake.is_connected and not self.note

    def wait(self, timeout_s: float, also: Sequence[zmq.Socket[bytes] | int] = ()) -> bool:
        """Waits up to ``timeout_s`` for messages and reads all of them; whether a status or a view was among them.

        The wait also ends when one of ``also``, sockets and file descriptors, can be read.

        (ZeroMQ's CONFLATE option does not support multipart messages.)
        """
        self._handshake.poll()
        poller = zmq.Poller()
        for source in (self.socket, *also):
            poller.register(source, zmq.POLLIN)
        if self.socket not in dict(poller.poll(max(int(timeout_s * 1000), 0))):
            return False
        received = False
        for _ in range(_MAX_BATCH):
            try:
                parts = self.socket.recv_multipart(zmq.NOBLOCK)
            except zmq.Again:
                break
            received = self._handle(parts) or received
        return received

    def _handle(self, parts: list[bytes]) -> bool:
        try:
            if parts[0] == VIEW_TOPIC:
                view = decode_view(parts)
                if self._has_view:
                    self.view, self._view_received_at_s = view, time.monotonic()
                return True
            self.status = decode_status(parts)
        except UnreadableStatusError as reason:
            self._ignored_count += 1
            times = "a message was" if self._ignored_count == 1 else f"{self._ignored_count} messages were"
            self._ignored_message = f"{times} ignored: {reason}."
            return False
        self._handshake.reset()
        self._received_at_s = time.monotonic()
        return True
