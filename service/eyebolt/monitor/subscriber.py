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
from eyebolt.monitor.status_model import TOPIC, UnreadableStatusError, from_parts
from eyebolt.security import ClientKeys

# A status is a few kilobytes; whoever sends more is not the daemon.
_MOST_BYTES = 1 << 20
# So many waiting messages are read at once before the screen is drawn again.
_MOST_DRAINED = 1000


class Listener:
    """A subscription to one endpoint. The daemon may start before or after it, and come back.

    ``status`` is the newest status dictionary or None.
    """

    def __init__(self, endpoint: str, keys: ClientKeys | None = None) -> None:
        """Raises MachineFault ``status-address`` if ``endpoint`` is no ZeroMQ address."""
        self.status: dict[str, Any] | None = None
        self._ignored, self._ignored_says = 0, ""
        self._heard_at = time.monotonic()
        self._context = zmq.Context()
        self._socket = self._context.socket(zmq.SUB)
        self._socket.set(zmq.LINGER, 0)
        self._socket.set(zmq.MAXMSGSIZE, _MOST_BYTES)
        self._socket.set(zmq.RECONNECT_IVL, 100)
        self._socket.set(zmq.RECONNECT_IVL_MAX, 1000)
        # A pulled cable closes no connection: only a heartbeat without an answer does.
        self._socket.set(zmq.HEARTBEAT_IVL, 1000)
        self._socket.set(zmq.HEARTBEAT_TIMEOUT, 3000)
        self._socket.set(zmq.SUBSCRIBE, TOPIC)
        if keys is not None:
            keys.use_on(self._socket)
        self._turned_away = TurnedAway(self._socket, endpoint, keys is not None)
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

    def __enter__(self) -> Listener:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Ends the subscription; never blocks."""
        self._context.destroy(linger=0)

    @property
    def silent_s(self) -> float:
        """Seconds since the newest status, or since listening began."""
        return time.monotonic() - self._heard_at

    @property
    def note(self) -> str:
        """Why nothing is heard although something is there, or what was last ignored and why; or ""."""
        return self._turned_away.says or self._ignored_says

    def wait(self, patience_s: float) -> bool:
        """Waits up to ``patience_s`` and reads on to the newest message. Whether a status came.

        (ZeroMQ's own keep-only-the-last option loses parts of multipart messages.)
        """
        self._turned_away.look()
        if not self._socket.poll(max(int(patience_s * 1000), 0)):
            return False
        heard = False
        for _ in range(_MOST_DRAINED):
            try:
                parts = self._socket.recv_multipart(zmq.NOBLOCK)
            except zmq.Again:
                break
            heard = self._take(parts) or heard
        return heard

    def _take(self, parts: list[bytes]) -> bool:
        try:
            self.status = from_parts(parts)
        except UnreadableStatusError as reason:
            self._ignored += 1
            times = "a message was" if self._ignored == 1 else f"{self._ignored} messages were"
            self._ignored_says = f"{times} ignored: {reason}."
            return False
        self._turned_away.forget()
        self._heard_at = time.monotonic()
        return True


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
