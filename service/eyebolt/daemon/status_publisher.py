"""Publishes the status over ZeroMQ in a thread of its own. Nothing that a subscriber sends is acted on."""

from __future__ import annotations

import asyncio
import contextlib
import threading
from collections import Counter
from pathlib import Path

import structlog
import zmq

from eyebolt.daemon.status_relay import BUFFER_BYTES, RelayLimits, StatusRelay
from eyebolt.errors import EyeboltError, MachineFault
from eyebolt.logs import LogThrottle, ThrottledLogger
from eyebolt.protocol import STATUS_TOPIC
from eyebolt.security import ZapAuthenticator

# A subscriber sends its subscription and, with keys, a handshake of a few hundred bytes.
_MAX_MESSAGE_BYTES = 1024
# How often the subscriptions are read while there is no status to send.
_RECEIVE_INTERVAL_S = 0.05
# Between two messages; a status that is replaced meanwhile is not sent.
_MIN_INTERVAL_S = 0.01
_MAX_MESSAGES_PER_PASS = 200
# A subscriber sends one. libzmq stores every topic that a connection subscribes to, up to 40 kB for the longest one.
_MAX_MESSAGES_PER_CONNECTION = 32
# More than can be open: those of closed connections are forgotten then.
_MAX_COUNTED_CONNECTIONS = 2000
_SUBSCRIBE, _UNSUBSCRIBE = b"\x01", b"\x00"

_log = structlog.get_logger("status")


class StatusPublisher:
    """A ZeroMQ XPUB socket behind a ``StatusRelay``: slow subscribers lose messages, publishing never waits.

    XPUB and not PUB, because it delivers what subscribers send, so that it can be discarded and logged.
    Raises MachineFault ``status-port``, InputFault of ``ZapAuthenticator.bind``.
    """

    def __init__(self, endpoint: str, keys: Path | None = None, limits: RelayLimits | None = None) -> None:
        self._context = zmq.Context()
        self._socket = self._context.socket(zmq.XPUB)
        self._socket.setsockopt(zmq.LINGER, 0)
        self._socket.setsockopt(zmq.SNDHWM, 4)
        self._socket.setsockopt(zmq.SNDBUF, BUFFER_BYTES)
        self._socket.setsockopt(zmq.MAXMSGSIZE, _MAX_MESSAGE_BYTES)
        # Only the published topic can be subscribed to.
        self._socket.setsockopt(zmq.XPUB_MANUAL, 1)
        self._throttled_log = ThrottledLogger(_log, LogThrottle(max_entries=5))
        self._lock = threading.Lock()
        self._newest: bytes | None = None
        self._message_counts: Counter[str] = Counter()
        self._is_closed = False
        self._loop = asyncio.new_event_loop()
        self._wake = asyncio.Event()
        self._authenticator = ZapAuthenticator(self._context, "watcher")
        try:
            self._relay = StatusRelay(endpoint, limits)
        except (OSError, ValueError) as error:
            self._destroy()
            raise _port_fault(endpoint, getattr(error, "strerror", None) or "it is no address") from None
        try:
            self._authenticator.bind(self._socket, endpoint, keys, self)
        except (zmq.ZMQError, EyeboltError) as error:
            self._relay.close()
            self._destroy()
            raise (_port_fault(endpoint, error.strerror) if isinstance(error, zmq.ZMQError) else error) from None
        self._thread = threading.Thread(target=self._run_thread, name="eyebolt-status", daemon=True)
        self._thread.start()

    def publish(self, content: bytes) -> None:
        """Hands over one status message (its JSON text); returns at once.

        A message that was not sent yet is replaced: subscribers get the newest.
        """
        with self._lock:
            is_waking = self._newest is not None
            self._newest = content
            if not is_waking and not self._is_closed:
                self._loop.call_soon_threadsafe(self._wake.set)

    def close(self) -> None:
        """Ends publishing."""
        with self._lock:
            self._is_closed = True
            self._loop.call_soon_threadsafe(self._wake.set)
        self._thread.join()
        self._relay.close()
        self._destroy()

    def peer(self, inner_address: str) -> str:
        """Address of the peer that the socket knows as ``inner_address``."""
        return self._relay.peer(inner_address)

    def is_open(self, inner_address: str) -> bool:
        """Whether the connection from ``inner_address`` is one of the relay."""
        return self._relay.is_open(inner_address)

    def disconnect(self, inner_address: str) -> None:
        """Closes one connection; may be called in any thread."""
        self._loop.call_soon_threadsafe(self._relay.disconnect, inner_address)

    def _destroy(self) -> None:
        self._authenticator.close()
        self._loop.close()
        self._context.destroy(linger=0)

    def _run_thread(self) -> None:
        self._loop.run_until_complete(self._run())

    async def _run(self) -> None:
        relaying = asyncio.create_task(self._relay.run(self._authenticator.inner_port))
        while not self._is_closed:
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(self._wake.wait(), _RECEIVE_INTERVAL_S)
            with self._lock:
                content, self._newest = self._newest, None
                self._wake.clear()
            try:
                self._process_subscriptions()
                if content is not None:
                    self._socket.send_multipart([STATUS_TOPIC, content], zmq.NOBLOCK)
            except zmq.ZMQError:
                _log.exception("status not published")
            await asyncio.sleep(_MIN_INTERVAL_S)
        relaying.cancel()
        await asyncio.gather(relaying, return_exceptions=True)

    def _process_subscriptions(self) -> None:
        """Handles subscriptions and discards everything else that was sent."""
        for _ in range(_MAX_MESSAGES_PER_PASS):
            try:
                frames = self._socket.recv_multipart(zmq.NOBLOCK, copy=False)
            except zmq.Again:
                return
            sender = _peer_address(frames[0])
            if sender is None or not self._count(sender):
                continue
            parts = [frame.bytes for frame in frames]
            action, topic = parts[0][:1], parts[0][1:]
            if len(parts) == 1 and action == _SUBSCRIBE and STATUS_TOPIC.startswith(topic):
                self._socket.setsockopt(zmq.SUBSCRIBE, topic)
            elif len(parts) == 1 and action == _UNSUBSCRIBE and STATUS_TOPIC.startswith(topic):
                self._socket.setsockopt(zmq.UNSUBSCRIBE, topic)
            else:
                self._log_ignored(parts, self.peer(sender))

    def _count(self, sender: str) -> bool:
        """Counts a message; False if its connection is closed, if need be because this was one too many."""
        if not self.is_open(sender):
            return False
        self._message_counts[sender] += 1
        if len(self._message_counts) > _MAX_COUNTED_CONNECTIONS:
            for closed in [address for address in self._message_counts if not self.is_open(address)]:
                del self._message_counts[closed]
        if self._message_counts[sender] <= _MAX_MESSAGES_PER_CONNECTION:
            return True
        self._throttled_log.warning(
            "status connection closed: too many messages",
            self.peer(sender),
            peer=self.peer(sender),
            limit=_MAX_MESSAGES_PER_CONNECTION,
            remedy="find out which program it is: a subscriber to the status sends one message, its subscription",
        )
        self._relay.disconnect(sender)
        return False

    def _log_ignored(self, parts: list[bytes], peer: str) -> None:
        received = b" ".join(parts)[:60].decode("ascii", "backslashreplace")
        remedy = "send it to the robot's port: nothing that arrives at the status address is acted on"
        self._throttled_log.warning(
            "message to the status socket ignored", peer, peer=peer, received=received, remedy=remedy
        )


def _peer_address(frame: zmq.Frame) -> str | None:
    """The inner address of the sender; None for the unsubscriptions that libzmq makes of a closed connection."""
    try:
        return str(frame.get("Peer-Address"))
    except zmq.ZMQError:
        return None


def _port_fault(endpoint: str, reason: str) -> MachineFault:
    return MachineFault(
        "status-port",
        f"the status cannot be published at {endpoint}: {reason}",
        "stop the other daemon of this computer, or give this station another [station] status address.",
        endpoint=endpoint,
    )
