"""A ZeroMQ socket that the daemon binds: behind a relay, with keys, served by a thread of its own."""

from __future__ import annotations

import asyncio
import contextlib
import threading
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import zmq

from eyebolt.daemon.socket_relay import BUFFER_BYTES, RelayLimits, RelayWords, SocketRelay
from eyebolt.errors import EyeboltError, MachineFault
from eyebolt.security import Role, ZapAuthenticator

# How often messages of peers are read while nothing wakes the thread.
_RECEIVE_INTERVAL_S = 0.05
# Between two passes; what was woken for meanwhile is done in the next one.
_MIN_INTERVAL_S = 0.01


@dataclass(frozen=True)
class SocketPurpose:
    """What distinguishes one such socket from another."""

    kind: int
    """ZeroMQ type of the socket."""
    role: Role
    """Whose keys are admitted."""
    words: RelayWords
    """What the log calls it."""
    send_queue: int
    """Messages that wait for a peer that reads too slowly; more are discarded."""
    max_message_bytes: int
    """Of a message of a peer; its connection is closed for a larger one."""
    port_fault: Callable[[str, Exception], MachineFault]
    """The fault of an address that cannot be opened, from the address and the error."""


class RelayedSocket:
    """The socket, its relay and its authenticator. ``on_pass`` is called in the thread: it reads and sends.

    ``socket`` may be configured until ``start``. Raises the fault of ``purpose`` if the address is taken or is none,
    and InputFault of ``ZapAuthenticator.bind``.
    """

    def __init__(
        self,
        purpose: SocketPurpose,
        endpoint: str,
        keys: Path | None,
        limits: RelayLimits,
        on_pass: Callable[[], None],
    ) -> None:
        self._on_pass = on_pass
        self._context = zmq.Context()
        self.socket: zmq.Socket[bytes] = self._context.socket(purpose.kind)
        """Used by the thread alone once it has started."""
        self.socket.setsockopt(zmq.LINGER, 0)
        self.socket.setsockopt(zmq.SNDHWM, purpose.send_queue)
        self.socket.setsockopt(zmq.SNDBUF, BUFFER_BYTES)
        self.socket.setsockopt(zmq.MAXMSGSIZE, purpose.max_message_bytes)
        self._lock = threading.Lock()
        self._is_closed = False
        self._loop = asyncio.new_event_loop()
        self._wake = asyncio.Event()
        self._authenticator = ZapAuthenticator(self._context, purpose.role)
        try:
            self._relay = SocketRelay(endpoint, limits, purpose.words)
        except (OSError, ValueError) as error:
            self._destroy()
            raise purpose.port_fault(endpoint, error) from None
        try:
            self._authenticator.bind(self.socket, endpoint, keys, self)
        except (zmq.ZMQError, EyeboltError) as error:
            self._relay.close()
            self._destroy()
            if isinstance(error, EyeboltError):
                raise
            raise purpose.port_fault(endpoint, error) from None
        self._thread = threading.Thread(target=self._run_thread, name=f"eyebolt-{purpose.words.name}", daemon=True)

    def start(self) -> None:
        """Begins to serve."""
        self._thread.start()

    def wake(self) -> None:
        """Has the thread call ``on_pass`` soon; may be called in any thread."""
        with self._lock:
            if not self._is_closed:
                self._loop.call_soon_threadsafe(self._wake.set)

    def close(self) -> None:
        """Ends serving."""
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
        with self._lock:
            if not self._is_closed:
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
            self._wake.clear()
            self._on_pass()
            await asyncio.sleep(_MIN_INTERVAL_S)
        relaying.cancel()
        await asyncio.gather(relaying, return_exceptions=True)


def sender_of(frame: zmq.Frame) -> str | None:
    """The inner address of the sender; None for what libzmq makes itself of a closed connection."""
    try:
        return str(frame.get("Peer-Address"))
    except zmq.ZMQError:
        return None
