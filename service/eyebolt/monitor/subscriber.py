"""The newest status from the daemon's PUB socket, through restarts of the daemon and a broken network.

Why no connection to the daemon comes about, where something answers at its address but does not let us in.
"""

from __future__ import annotations

import time
from types import TracebackType
from typing import Any

import zmq
from zmq.utils.monitor import recv_monitor_message

from eyebolt.errors import MachineFault
from eyebolt.monitor.status_model import TOPIC, UnreadableStatusError, decode_status
from eyebolt.security import ClientKeys

# A status is a few kilobytes; whoever sends more is not the daemon.
_MAX_MESSAGE_BYTES = 1 << 20
# So many waiting messages are read at once before the screen is drawn again.
_MAX_BATCH = 1000


class StatusSubscriber:
    """A subscription to one endpoint. The daemon may start before or after it, and come back.

    ``status`` is the newest status dictionary or None.
    """

    def __init__(self, endpoint: str, keys: ClientKeys | None = None) -> None:
        """Raises MachineFault ``status-address`` if ``endpoint`` is no ZeroMQ address."""
        self.status: dict[str, Any] | None = None
        self._ignored_count, self._ignored_message = 0, ""
        self._received_at_s = time.monotonic()
        self._context = zmq.Context()
        self._socket = self._context.socket(zmq.SUB)
        self._socket.set(zmq.LINGER, 0)
        self._socket.set(zmq.MAXMSGSIZE, _MAX_MESSAGE_BYTES)
        self._socket.set(zmq.RECONNECT_IVL, 100)
        self._socket.set(zmq.RECONNECT_IVL_MAX, 1000)
        # A pulled cable closes no connection: only a heartbeat without an answer does.
        self._socket.set(zmq.HEARTBEAT_IVL, 1000)
        self._socket.set(zmq.HEARTBEAT_TIMEOUT, 3000)
        self._socket.set(zmq.SUBSCRIBE, TOPIC)
        if keys is not None:
            keys.apply_to(self._socket)
        self._handshake = HandshakeMonitor(self._socket, endpoint, keys is not None)
        try:
            self._socket.connect(endpoint)
        except zmq.ZMQError as fault:
            self.close()
            raise MachineFault(
                "status-address",
                f"'{endpoint}' is no address to listen at for the status: {zmq.strerror(fault.errno or 0)}",
                "give the daemon's status address in the form tcp://HOST:PORT.",
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
        """Seconds since the newest status, or since listening began."""
        return time.monotonic() - self._received_at_s

    @property
    def note(self) -> str:
        """Why nothing is heard although something is there, or what was last ignored and why; or ""."""
        return self._handshake.message or self._ignored_message

    def wait(self, timeout_s: float) -> bool:
        """Waits up to ``timeout_s`` and reads on to the newest message. Whether a status came.

        (ZeroMQ's own keep-only-the-last option loses parts of multipart messages.)
        """
        self._handshake.poll()
        if not self._socket.poll(max(int(timeout_s * 1000), 0)):
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
    _AUTH_FAILED: "the daemon does not let this key in: on the cell's PC, 'eyebolt keys STATION --watcher NAME' makes"
    " one that it does.",
    _NO_DETAIL: "what is at that address hangs up: the key file is of another station, or it is no Eyebolt daemon.",
    _PROTOCOL_ERROR: "the daemon at that address wants no key: leave --key out.",
}
_MESSAGES_WITHOUT_KEY = {
    _AUTH_FAILED: "the daemon lets nobody in from here.",
    _NO_DETAIL: "what is at that address hangs up: it is no Eyebolt daemon, or one that wants a key (--key FILE).",
    _PROTOCOL_ERROR: "the daemon at that address wants a key: --key FILE, the one made for this computer.",
}
# ZeroMQ gives up for good once it was turned away with a reason; a key may be let in later.
_RECONNECT_AFTER_S = 5.0


class HandshakeMonitor:
    """Watches ``socket``, which is to connect to ``endpoint`` later, and connects it anew; ``message`` is why, or ""."""

    def __init__(self, socket: zmq.Socket[bytes], endpoint: str, with_key: bool) -> None:
        self.message = ""
        self._socket, self._endpoint = socket, endpoint
        self._messages = _MESSAGES_WITH_KEY if with_key else _MESSAGES_WITHOUT_KEY
        self._monitor: zmq.Socket[Any] = socket.get_monitor_socket(_AUTH_FAILED | _NO_DETAIL | _PROTOCOL_ERROR)
        self._reconnect_at_s: float | None = None

    def poll(self) -> None:
        """Takes note of what happened since the last look; never waits."""
        while self._monitor.poll(0):
            event = int(recv_monitor_message(self._monitor)["event"])
            self.message = self._messages.get(event, self.message)
            if event != _NO_DETAIL and self._reconnect_at_s is None:
                self._reconnect_at_s = time.monotonic() + _RECONNECT_AFTER_S
        if self._reconnect_at_s is not None and time.monotonic() >= self._reconnect_at_s:
            self._reconnect_at_s = None
            self._socket.disconnect(self._endpoint)
            self._socket.connect(self._endpoint)

    def reset(self) -> None:
        """We were let in."""
        self.message = ""
