"""Publishes the status, and views while somebody subscribes to them, over ZeroMQ in a thread of its own.

Nothing that a subscriber sends is acted on but its subscription.
"""

from __future__ import annotations

import threading
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import structlog
import zmq

from eyebolt.addresses import listening_reason, listening_remedy
from eyebolt.daemon.relayed_socket import RelayedSocket, SocketPurpose, sender_of
from eyebolt.daemon.socket_relay import STATUS_WORDS, RelayLimits
from eyebolt.errors import MachineFault
from eyebolt.logs import LogThrottle, ThrottledLogger
from eyebolt.protocol import STATUS_TOPIC, VIEW_TOPIC

_MAX_MESSAGES_PER_PASS = 200
# A subscriber sends one. libzmq stores every topic that a connection subscribes to, up to 40 kB for the longest one.
_MAX_MESSAGES_PER_CONNECTION = 32
# More than can be open: those of closed connections are forgotten then.
_MAX_COUNTED_CONNECTIONS = 2000
# Each that does not read keeps a few views in memory; a page serves any number of browsers as one subscriber.
MAX_VIEW_SUBSCRIBERS = 32
_SUBSCRIBE, _UNSUBSCRIBE = b"\x01", b"\x00"


def _port_fault(endpoint: str, error: Exception) -> MachineFault:
    return MachineFault(
        "status-port",
        f"the status cannot be published at {endpoint}: {listening_reason(error, endpoint)}",
        listening_remedy(error, endpoint, "[station] status"),
        endpoint=endpoint,
    )


_PURPOSE = SocketPurpose(
    kind=zmq.XPUB,
    role="watcher",
    words=STATUS_WORDS,
    send_queue=4,
    # A subscriber sends its subscription and, with keys, a handshake of a few hundred bytes.
    max_message_bytes=1024,
    port_fault=_port_fault,
)

_log = structlog.get_logger("status")


class StatusPublisher:
    """A ZeroMQ XPUB socket behind a relay: slow subscribers lose messages, publishing never waits.

    XPUB and not PUB, because it delivers what subscribers send: whether there is one to the views, and what is to be
    discarded and logged. ``on_view_subscribed`` is called in the publishing thread for each subscription to the views.
    Raises MachineFault ``status-port``, InputFault of ``ZapAuthenticator.bind``.
    """

    def __init__(
        self,
        endpoint: str,
        keys: Path | None = None,
        limits: RelayLimits | None = None,
        on_view_subscribed: Callable[[], None] = lambda: None,
    ) -> None:
        self._on_view_subscribed = on_view_subscribed
        self._throttled_log = ThrottledLogger(_log, LogThrottle(max_entries=5))
        self._lock = threading.Lock()
        self._newest: bytes | None = None
        self._newest_view: tuple[bytes, bytes] | None = None
        self._viewers: frozenset[str] = frozenset()
        self._message_counts: Counter[str] = Counter()
        self._relayed = RelayedSocket(_PURPOSE, endpoint, keys, limits or RelayLimits(), self._on_pass)
        self._socket = self._relayed.socket
        # Only the published topics can be subscribed to.
        self._socket.setsockopt(zmq.XPUB_MANUAL, 1)
        self._relayed.start()

    def publish(self, content: bytes) -> None:
        """Hands over one status message (its JSON text); returns at once.

        A message that was not sent yet is replaced: subscribers get the newest.
        """
        with self._lock:
            is_waking = self._newest is not None or self._newest_view is not None
            self._newest = content
        if not is_waking:
            self._relayed.wake()

    def publish_view(self, content: bytes, jpeg: bytes) -> None:
        """Hands over one view message, its JSON text and its image, as ``publish`` does."""
        with self._lock:
            is_waking = self._newest is not None or self._newest_view is not None
            self._newest_view = content, jpeg
        if not is_waking:
            self._relayed.wake()

    @property
    def has_view_subscribers(self) -> bool:
        """Whether anybody subscribes to the views now; may be read in any thread."""
        return any(self._relayed.is_open(sender) for sender in self._viewers)

    def close(self) -> None:
        """Ends publishing."""
        self._relayed.close()

    def _on_pass(self) -> None:
        with self._lock:
            content, self._newest = self._newest, None
            view, self._newest_view = self._newest_view, None
        try:
            self._process_subscriptions()
            if content is not None:
                self._socket.send_multipart([STATUS_TOPIC, content], zmq.NOBLOCK)
            if view is not None:
                self._socket.send_multipart([VIEW_TOPIC, *view], zmq.NOBLOCK)
        except zmq.ZMQError:
            _log.exception("status not published")

    def _process_subscriptions(self) -> None:
        """Handles subscriptions and discards everything else that was sent."""
        for _ in range(_MAX_MESSAGES_PER_PASS):
            try:
                frames = self._socket.recv_multipart(zmq.NOBLOCK, copy=False)
            except zmq.Again:
                return
            sender = sender_of(frames[0])
            if sender is None or not self._count(sender):
                continue
            parts = [frame.bytes for frame in frames]
            action, topic = parts[0][:1], parts[0][1:]
            if len(parts) != 1 or action not in (_SUBSCRIBE, _UNSUBSCRIBE):
                self._log_ignored(parts, self._relayed.peer(sender))
            elif topic == VIEW_TOPIC:
                self._change_viewers(sender, action == _SUBSCRIBE)
            elif STATUS_TOPIC.startswith(topic):
                # The empty topic too is the status alone: views cost work, and are subscribed to by their name.
                subscribed = topic or STATUS_TOPIC
                self._socket.setsockopt(zmq.SUBSCRIBE if action == _SUBSCRIBE else zmq.UNSUBSCRIBE, subscribed)
            else:
                self._log_ignored(parts, self._relayed.peer(sender))

    def _change_viewers(self, sender: str, is_subscribing: bool) -> None:
        if not is_subscribing:
            self._viewers -= {sender}
            self._socket.setsockopt(zmq.UNSUBSCRIBE, VIEW_TOPIC)
            return
        viewers = {viewer for viewer in self._viewers if self._relayed.is_open(viewer)} | {sender}
        if len(viewers) > MAX_VIEW_SUBSCRIBERS:
            peer = self._relayed.peer(sender)
            self._throttled_log.warning(
                "subscription to the views ignored: too many subscribers",
                peer,
                peer=peer,
                remedy=f"close views that are not needed: {MAX_VIEW_SUBSCRIBERS} are open (a page is one of them)",
            )
            return
        self._viewers = frozenset(viewers)
        self._socket.setsockopt(zmq.SUBSCRIBE, VIEW_TOPIC)
        self._on_view_subscribed()

    def _count(self, sender: str) -> bool:
        """Counts a message; False if its connection is closed, if need be because this was one too many."""
        if not self._relayed.is_open(sender):
            return False
        self._message_counts[sender] += 1
        if len(self._message_counts) > _MAX_COUNTED_CONNECTIONS:
            for closed in [address for address in self._message_counts if not self._relayed.is_open(address)]:
                del self._message_counts[closed]
        if self._message_counts[sender] <= _MAX_MESSAGES_PER_CONNECTION:
            return True
        self._throttled_log.warning(
            "status connection closed: too many messages",
            self._relayed.peer(sender),
            peer=self._relayed.peer(sender),
            limit=_MAX_MESSAGES_PER_CONNECTION,
            remedy="find out which program it is: a subscriber to the status sends one message, its subscription",
        )
        self._relayed.disconnect(sender)
        return False

    def _log_ignored(self, parts: list[bytes], peer: str) -> None:
        received = b" ".join(parts)[:60].decode("ascii", "backslashreplace")
        remedy = "send it to the robot's port: nothing that arrives at the status address is acted on"
        self._throttled_log.warning(
            "message to the status socket ignored", peer, peer=peer, received=received, remedy=remedy
        )
