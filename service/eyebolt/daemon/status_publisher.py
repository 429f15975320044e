"""Publishes the status over ZeroMQ. Nothing that a subscriber sends is acted on."""

from __future__ import annotations

from pathlib import Path

import structlog
import zmq

from eyebolt.errors import EyeboltError, MachineFault
from eyebolt.logs import LogThrottle, ThrottledLogger
from eyebolt.protocol import STATUS_TOPIC
from eyebolt.security import ZapAuthenticator

# A subscriber sends its subscription and, with keys, a handshake of a few hundred bytes.
_MAX_MESSAGE_BYTES = 1024
# Processed before each status is sent; a thousand take some milliseconds.
_MAX_MESSAGES_PER_POLL = 1000
_SUBSCRIBE, _UNSUBSCRIBE = b"\x01", b"\x00"

_log = structlog.get_logger("status")


class StatusPublisher:
    """A ZeroMQ XPUB socket: slow subscribers lose messages, publishing never waits.

    XPUB and not PUB, because it delivers what subscribers send, so that it can be discarded and logged.
    Raises MachineFault ``status-port``, InputFault of ``ZapAuthenticator.bind``.
    """

    def __init__(self, endpoint: str, keys: Path | None = None) -> None:
        self._context = zmq.Context()
        self._authenticator = ZapAuthenticator(self._context, "watcher")
        self._socket = self._context.socket(zmq.XPUB)
        self._socket.setsockopt(zmq.LINGER, 0)
        self._socket.setsockopt(zmq.SNDHWM, 4)
        self._socket.setsockopt(zmq.MAXMSGSIZE, _MAX_MESSAGE_BYTES)
        # Only the published topic can be subscribed to: no peer can pile up subscriptions to anything else.
        self._socket.setsockopt(zmq.XPUB_MANUAL, 1)
        self._throttled_log = ThrottledLogger(_log, LogThrottle(max_entries=5))
        try:
            self._authenticator.bind(self._socket, endpoint, keys)
        except zmq.ZMQError as error:
            self.close()
            raise MachineFault(
                "status-port",
                f"the status cannot be published at {endpoint}: {error.strerror}",
                "stop the other daemon of this computer, or give this station another [station] status address.",
                endpoint=endpoint,
            ) from None
        except EyeboltError:
            self.close()
            raise

    def publish(self, content: bytes) -> None:
        """Sends one status message (its JSON text) to the subscribers."""
        self._process_subscriptions()
        self._socket.send_multipart([STATUS_TOPIC, content], zmq.NOBLOCK)

    def close(self) -> None:
        """Ends publishing."""
        self._authenticator.close()
        self._context.destroy(linger=0)

    def _process_subscriptions(self) -> None:
        """Handles subscriptions and discards everything else that was sent."""
        for _ in range(_MAX_MESSAGES_PER_POLL):
            try:
                parts = self._socket.recv_multipart(zmq.NOBLOCK)
            except zmq.Again:
                return
            action, topic = parts[0][:1], parts[0][1:]
            if len(parts) == 1 and action == _SUBSCRIBE and STATUS_TOPIC.startswith(topic):
                self._socket.setsockopt(zmq.SUBSCRIBE, topic)
            elif len(parts) == 1 and action == _UNSUBSCRIBE and STATUS_TOPIC.startswith(topic):
                self._socket.setsockopt(zmq.UNSUBSCRIBE, topic)
            else:
                self._log_ignored(parts)

    def _log_ignored(self, parts: list[bytes]) -> None:
        received = b" ".join(parts)[:60].decode("ascii", "backslashreplace")
        remedy = "send it to the robot's port: nothing that arrives at the status address is acted on"
        self._throttled_log.warning("message to the status socket ignored", "status", received=received, remedy=remedy)
