"""A connection to one ZeroMQ socket of a daemon, which may start later, restart, or be unplugged."""

from __future__ import annotations

import time
from types import TracebackType
from typing import Any, Self

import zmq
from zmq.utils.monitor import recv_monitor_message

from eyebolt.addresses import is_ipv6_endpoint
from eyebolt.security import ClientKeys, Role


class DaemonConnection:
    """A socket that connects and reconnects by itself, and the reason where it cannot.

    ``kind``: zmq.SUB or zmq.DEALER. ``role``: that of the key which this socket of the daemon requires. ``options`` are
    set before the socket connects.
    """

    def __init__(
        self,
        endpoint: str,
        keys: ClientKeys | None,
        *,
        kind: int,
        role: Role,
        max_message_bytes: int,
        options: dict[int, int | bytes],
    ) -> None:
        """Raises zmq.ZMQError if ``endpoint`` is not a ZeroMQ address."""
        self._context = zmq.Context()
        self.socket: zmq.Socket[bytes] = self._context.socket(kind)
        """To be polled and read."""
        self.socket.set(zmq.LINGER, 0)
        self.socket.set(zmq.MAXMSGSIZE, max_message_bytes)
        self.socket.set(zmq.RECONNECT_IVL, 100)
        self.socket.set(zmq.RECONNECT_IVL_MAX, 1000)
        # A pulled cable closes no connection; only a missed heartbeat reveals it.
        self.socket.set(zmq.HEARTBEAT_IVL, 1000)
        self.socket.set(zmq.HEARTBEAT_TIMEOUT, 3000)
        self.socket.set(zmq.IPV6, is_ipv6_endpoint(endpoint))
        for option, value in options.items():
            self.socket.set(option, value)
        if keys is not None:
            keys.apply_to(self.socket)
        self._handshake = HandshakeMonitor(self.socket, endpoint, keys is not None, role)
        try:
            self.socket.connect(endpoint)
        except zmq.ZMQError:
            self.close()
            raise

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Ends the connection; never blocks."""
        self._context.destroy(linger=0)


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

    def __init__(self, socket: zmq.Socket[bytes], endpoint: str, with_key: bool, role: Role) -> None:
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
