"""Why no connection to the daemon comes about, where something answers at its address but does not let us in."""

from __future__ import annotations

import time
from typing import Any

import zmq
from zmq.utils.monitor import recv_monitor_message

_NOT_ADMITTED: int = zmq.EVENT_HANDSHAKE_FAILED_AUTH
_HUNG_UP: int = zmq.EVENT_HANDSHAKE_FAILED_NO_DETAIL
_OTHER_MECHANISM: int = zmq.EVENT_HANDSHAKE_FAILED_PROTOCOL
_WITH_KEY = {
    _NOT_ADMITTED: "the daemon does not let this key in: on the cell's PC, 'eyebolt keys STATION --watcher NAME' makes"
    " one that it does.",
    _HUNG_UP: "what is at that address hangs up: the key file is of another station, or it is no Eyebolt daemon.",
    _OTHER_MECHANISM: "the daemon at that address wants no key: leave --key out.",
}
_WITHOUT_KEY = {
    _NOT_ADMITTED: "the daemon lets nobody in from here.",
    _HUNG_UP: "what is at that address hangs up: it is no Eyebolt daemon, or one that wants a key (--key FILE).",
    _OTHER_MECHANISM: "the daemon at that address wants a key: --key FILE, the one made for this computer.",
}
# ZeroMQ gives up for good once it was turned away with a reason; a key may be let in later.
_AGAIN_AFTER_S = 5.0


class TurnedAway:
    """Watches ``socket``, which is to connect to ``endpoint`` later, and connects it anew; ``says`` is why, or ""."""

    def __init__(self, socket: zmq.Socket[bytes], endpoint: str, with_key: bool) -> None:
        self.says = ""
        self._socket, self._endpoint = socket, endpoint
        self._words = _WITH_KEY if with_key else _WITHOUT_KEY
        self._monitor: zmq.Socket[Any] = socket.get_monitor_socket(_NOT_ADMITTED | _HUNG_UP | _OTHER_MECHANISM)
        self._again_at: float | None = None

    def look(self) -> None:
        """Takes note of what happened since the last look; never waits."""
        while self._monitor.poll(0):
            event = int(recv_monitor_message(self._monitor)["event"])
            self.says = self._words.get(event, self.says)
            if event != _HUNG_UP and self._again_at is None:
                self._again_at = time.monotonic() + _AGAIN_AFTER_S
        if self._again_at is not None and time.monotonic() >= self._again_at:
            self._again_at = None
            self._socket.disconnect(self._endpoint)
            self._socket.connect(self._endpoint)

    def forget(self) -> None:
        """We were let in."""
        self.says = ""
