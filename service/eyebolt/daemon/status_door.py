"""The status side: publishes, listens to nobody."""

from __future__ import annotations

import json
from typing import Any

import zmq

from eyebolt.errors import MachineFault

TOPIC = b"status"


class StatusDoor:
    """A ZeroMQ PUB socket; slow watchers lose messages, never the daemon its time."""

    def __init__(self, endpoint: str) -> None:
        self._socket: zmq.Socket[bytes] = zmq.Context.instance().socket(zmq.PUB)
        self._socket.setsockopt(zmq.LINGER, 0)
        self._socket.setsockopt(zmq.SNDHWM, 4)
        try:
            self._socket.bind(endpoint)
        except zmq.ZMQError as error:
            self._socket.close()
            raise MachineFault(
                "status-port",
                f"the status cannot be published at {endpoint}: {error.strerror}",
                "stop the other daemon of this computer, or give this station another [station] status address.",
                endpoint=endpoint,
            ) from None

    def publish(self, message: dict[str, Any]) -> None:
        """Sends one status message to whoever watches."""
        self._socket.send_multipart([TOPIC, json.dumps(message).encode("utf-8")], zmq.NOBLOCK)

    def close(self) -> None:
        """Ends publishing."""
        self._socket.close()
