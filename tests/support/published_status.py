"""A stand-in for a daemon's status socket: publishes what it is given, and notes what is subscribed to."""

from __future__ import annotations

import threading
from types import TracebackType
from typing import Self

import zmq

from eyebolt.protocol import STATUS_TOPIC, StatusMessage

_INTERVAL_S = 0.1


class PublishedStatus:
    """Publishes ``status`` and ``parts``, ten times a second, to whoever subscribes."""

    def __init__(self, status: StatusMessage | None = None) -> None:
        self.status = status
        """None: the daemon is silent."""
        self.parts: list[bytes] | None = None
        """A further message; None for none."""
        self.topics: set[bytes] = set()
        """What is subscribed to now."""
        self._context = zmq.Context()
        self._socket = self._context.socket(zmq.XPUB)
        self._socket.setsockopt(zmq.LINGER, 0)
        self._socket.bind("tcp://127.0.0.1:*")
        self.endpoint = self._socket.getsockopt_string(zmq.LAST_ENDPOINT)
        """Where to subscribe."""
        self._is_closed = threading.Event()
        self._thread = threading.Thread(target=self._publish)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._is_closed.set()
        self._thread.join()
        self._context.destroy(linger=0)

    def _publish(self) -> None:
        while not self._is_closed.wait(_INTERVAL_S):
            while self._socket.poll(0):
                action = self._socket.recv()
                (self.topics.add if action[:1] == b"\x01" else self.topics.discard)(action[1:])
            status, parts = self.status, self.parts
            if status is not None:
                self._socket.send_multipart([STATUS_TOPIC, status.to_json()])
            if parts is not None:
                self._socket.send_multipart(parts)
