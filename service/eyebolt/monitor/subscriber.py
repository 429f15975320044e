"""The newest status from the daemon's ZeroMQ socket, through restarts of the daemon and network failures.

Messages are checked and cleaned on arrival; a failed handshake with the daemon is explained in words.
"""

from __future__ import annotations

import time
from collections.abc import Sequence
from types import TracebackType
from typing import Any

import zmq
from pydantic import ValidationError
from zmq.utils.monitor import recv_monitor_message

from eyebolt.addresses import is_ipv6_endpoint
from eyebolt.bounded_text import parse_json
from eyebolt.errors import MachineFault
from eyebolt.plain_text import sanitize
from eyebolt.protocol import STATUS_SCHEMA, STATUS_TOPIC, StatusMessage
from eyebolt.security import ClientKeys, Role

# A status has a few kilobytes; a larger message does not come from the daemon.
_MAX_MESSAGE_BYTES = 1 << 20
# Messages read in one go before the screen is drawn again.
_MAX_BATCH = 1000


class UnreadableStatusError(ValueError):
    """A message that is not a status; the text gives the reason, for a note on the screen."""


def decode_status(parts: Sequence[bytes]) -> StatusMessage:
    """The status in a multipart message, its strings cleaned by ``sanitize``. Raises UnreadableStatusError."""
    if len(parts) != 2 or parts[0] != STATUS_TOPIC:
        raise UnreadableStatusError("it does not have the two parts 'status' and JSON")
    try:
        content = _sanitize_strings(parse_json(parts[1], limit_values=False))
    except ValueError:
        raise UnreadableStatusError("its second part is not JSON") from None
    if not isinstance(content, dict):
        raise UnreadableStatusError("its JSON is not an object")
    schema = content.get("schema")
    if schema != STATUS_SCHEMA:
        raise UnreadableStatusError(f"its schema is {str(schema)[:8]}, this program reads {STATUS_SCHEMA}")
    try:
        return StatusMessage.model_validate(content)
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


class StatusSubscriber:
    """A subscription to one endpoint. The daemon may start before or after it, and may restart."""

    def __init__(self, endpoint: str, keys: ClientKeys | None = None) -> None:
        """Raises MachineFault ``status-address`` if ``endpoint`` is not a ZeroMQ address."""
        self.status: StatusMessage | None = None
        """Newest status; None before the first."""
        self._ignored_count, self._ignored_message = 0, ""
        self._received_at_s = time.monotonic()
        self._context = zmq.Context()
        self._socket = self._context.socket(zmq.SUB)
        self._socket.set(zmq.LINGER, 0)
        self._socket.set(zmq.MAXMSGSIZE, _MAX_MESSAGE_BYTES)
        self._socket.set(zmq.RECONNECT_IVL, 100)
        self._socket.set(zmq.RECONNECT_IVL_MAX, 1000)
        # A pulled cable closes no connection; only a missed heartbeat reveals it.
        self._socket.set(zmq.HEARTBEAT_IVL, 1000)
        self._socket.set(zmq.HEARTBEAT_TIMEOUT, 3000)
        self._socket.set(zmq.SUBSCRIBE, STATUS_TOPIC)
        self._socket.set(zmq.IPV6, is_ipv6_endpoint(endpoint))
        if keys is not None:
            keys.apply_to(self._socket)
        self._handshake = HandshakeMonitor(self._socket, endpoint, keys is not None)
        try:
            self._socket.connect(endpoint)
        except zmq.ZMQError as fault:
            self.close()
            raise MachineFault(
                "status-address",
                f"'{endpoint}' is not a valid status address: {zmq.strerror(fault.errno or 0)}",
                "give the daemon's status address as tcp://HOST:PORT.",
                endpoint=endpoint,
            ) from None

    def __enter__(self) -> StatusSubscriber:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Ends the subscription; never blocks."""
        self._context.destroy(linger=0)

    @property
    def status_age_s(self) -> float:
        """Seconds since the newest status arrived, or since the subscription began."""
        return time.monotonic() - self._received_at_s

    @property
    def note(self) -> str:
        """Why the connection fails, or which message was last ignored and why; empty if neither."""
        return self._handshake.message or self._ignored_message

    @property
    def is_pending(self) -> bool:
        """Whether a connection is open that has brought neither a status nor the reason of a failure yet."""
        return self.status is None and self._handshake.is_connected and not self.note

    def wait(self, timeout_s: float, also: Sequence[zmq.Socket[bytes] | int] = ()) -> bool:
        """Waits up to ``timeout_s`` for messages and reads all of them; whether a status was among them.

        The wait also ends when one of ``also``, sockets and file descriptors, can be read.

        (ZeroMQ's CONFLATE option does not support multipart messages.)
        """
        self._handshake.poll()
        poller = zmq.Poller()
        for source in (self._socket, *also):
            poller.register(source, zmq.POLLIN)
        if self._socket not in dict(poller.poll(max(int(timeout_s * 1000), 0))):
            return False
        received = False
        for _ in range(_MAX_BATCH):
            try:
                parts = self._socket.recv_multipart(zmq.NOBLOCK)
            except zmq.Again:
                break
            received = self._handle(parts) or received
        return received

    def _handle(self, parts: list[bytes]) -> bool:
        try:
            self.status = decode_status(parts)
        except UnreadableStatusError as reason:
            self._ignored_count += 1
            times = "a message was" if self._ignored_count == 1 else f"{self._ignored_count} messages were"
            self._ignored_message = f"{times} ignored: {reason}."
            return False
        self._handshake.reset()
        self._received_at_s = time.monotonic()
        return True


_AUTH_FAILED: int = zmq.EVENT_HANDSHAKE_FAILED_AUTH
_NO_DETAIL: int = zmq.EVENT_HANDSHAKE_FAILED_NO_DETAIL
_PROTOCOL_ERROR: int = zmq.EVENT_HANDSHAKE_FAILED_PROTOCOL
_MESSAGES_WITH_KEY = {
    _AUTH_FAILED: "the daemon does not accept this key: make one with 'eyebolt keys STATION --ROLE NAME' on the"
    " cell's PC.",
    _NO_DETAIL: "the connection is closed by the other side: the key is that of another station, or the daemon uses no"
    " keys (omit --key), or the program at that address is not an Eyebolt daemon.",
    _PROTOCOL_ERROR: "the daemon at that address uses no keys: omit --key.",
}
_MESSAGES_WITHOUT_KEY = {
    _AUTH_FAILED: "the daemon does not accept connections from this computer.",
    _NO_DETAIL: "the connection is closed by the other side: the program at that address is not an Eyebolt daemon, or a"
    " daemon that requires a key (--key FILE).",
    _PROTOCOL_ERROR: "the daemon at that address requires a key: --key FILE with the one made for this computer.",
}
# ZeroMQ does not reconnect after a rejected handshake, but the key may be registered later.
_RECONNECT_AFTER_S = 5.0


class HandshakeMonitor:
    """Explains why ``socket`` fails to connect to ``endpoint``, and reconnects it after a rejection.

    Create it before the socket connects.
    """

    def __init__(self, socket: zmq.Socket[bytes], endpoint: str, with_key: bool, role: Role = "watcher") -> None:
        self.message = ""
        """Reason of the last failure; empty while there is none."""
        self.is_connected = False
        """Whether somebody accepted the connection and has not ended it."""
        self._socket, self._endpoint = socket, endpoint
        messages = _MESSAGES_WITH_KEY if with_key else _MESSAGES_WITHOUT_KEY
        self._messages = {event: text.replace("ROLE", role) for event, text in messages.items()}
        self._monitor: zmq.Socket[Any] = socket.get_monitor_socket(
            _AUTH_FAILED | _NO_DETAIL | _PROTOCOL_ERROR | zmq.EVENT_CONNECTED | zmq.EVENT_DISCONNECTED
        )
        self._reconnect_at_s: float | None = None

    def poll(self) -> None:
        """Reads the events since the last call; never waits."""
        while self._monitor.poll(0):
            event = int(recv_monitor_message(self._monitor)["event"])
            self.is_connected = event == zmq.EVENT_CONNECTED
            if event in (zmq.EVENT_CONNECTED, zmq.EVENT_DISCONNECTED):
                continue
            # Which side notices first that they speak differently is a race; only one of them learns the reason.
            if event != _NO_DETAIL or not self.message:
                self.message = self._messages.get(event, self.message)
            if event != _NO_DETAIL and self._reconnect_at_s is None:
                self._reconnect_at_s = time.monotonic() + _RECONNECT_AFTER_S
        if self._reconnect_at_s is not None and time.monotonic() >= self._reconnect_at_s:
            self._reconnect_at_s = None
            self._socket.disconnect(self._endpoint)
            self._socket.connect(self._endpoint)

    def reset(self) -> None:
        """The connection is established."""
        self.message = ""
