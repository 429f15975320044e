"""The public side of a ZeroMQ address: relays bytes between peers and the ZeroMQ socket behind it.

libzmq has no bound on what peers send: a status socket stores every topic that a connection ever subscribed to, and one
call on a socket goes on for as long as messages arrive. Therefore it only gets connections from this relay, which
passes on a bounded number of bytes of each peer. A subscriber sends a few hundred: a handshake and one subscription.
"""

from __future__ import annotations

import asyncio
import contextlib
import itertools
import os
import socket
import time
from collections import OrderedDict
from dataclasses import dataclass
from pathlib import Path

import structlog

from eyebolt.addresses import split_host_port
from eyebolt.daemon.dead_peers import detect_dead_peer
from eyebolt.logs import LogThrottle, ThrottledLogger

_READ_BYTES = 65_536
# Bytes in transit to a subscriber that reads too slowly, in each of a few buffers; a status has some kilobytes.
BUFFER_BYTES = 65_536
_BACKLOG = 128
# Addresses of ended connections are remembered for log entries that come late.
_MAX_REMEMBERED = 2048
_ACCEPT_RETRY_S = 0.2


@dataclass(frozen=True)
class RelayLimits:
    """Limits of the status address, far above what any subscriber needs; those of the control address are stricter."""

    max_connections: int = 500
    """Open connections; more are closed at once."""
    burst_bytes: int = 4096
    """Bytes that a connection may send at once; with keys its handshake and subscription have about 700."""
    bytes_per_s: float = 200.0
    """Bytes that it may send per second in the long run: a heartbeat of ZMTP has at most 60 bytes."""
    grace_s: float = 1.0
    """From its first byte above them to the end of the connection; nothing more is passed on meanwhile."""
    accepted_per_s: float = 20.0
    """New connections per second; more wait to be accepted."""
    accepted_burst: int = 100
    """New connections at once, such as all watchers after a restart."""


class RelayedConnection:
    """One connection of a peer, and the connection to the ZeroMQ socket that stands for it."""

    def __init__(self, peer: str, writer: asyncio.StreamWriter, limits: RelayLimits) -> None:
        self.peer = peer
        """Address of the peer; "this computer" for a Unix socket."""
        self._writer = writer
        self._limits = limits
        self._tokens = float(limits.burst_bytes)
        self._refilled_s = time.monotonic()

    def admit(self, size_bytes: int) -> int:
        """How many of ``size_bytes`` received bytes may be passed on (a token bucket)."""
        now_s = time.monotonic()
        self._tokens += (now_s - self._refilled_s) * self._limits.bytes_per_s
        self._tokens, self._refilled_s = min(self._tokens, self._limits.burst_bytes), now_s
        admitted = min(size_bytes, int(self._tokens))
        self._tokens -= admitted
        return admitted

    def close(self) -> None:
        """Closes without waiting; what the peer has not read is discarded."""
        self._writer.transport.abort()


@dataclass(frozen=True)
class RelayWords:
    """What the log calls an address and its peers."""

    name: str
    """Of the address, in the events."""
    peers: str
    """Who connects to it."""
    sends: str
    """What one of them sends, for the remedy of one that sends more."""


STATUS_WORDS = RelayWords("status", "watchers", "a subscriber sends its subscription, and nothing else")


class SocketRelay:
    """Listens at ``endpoint``; accepts and relays in the loop that runs ``run``.

    The ZeroMQ socket knows each connection by an address of its own in 127.0.0.0/8, from which the relay connects.
    Raises OSError if the address is taken, and ValueError for a text that is no endpoint.
    """

    def __init__(self, endpoint: str, limits: RelayLimits | None = None, words: RelayWords = STATUS_WORDS) -> None:
        self._limits = limits or RelayLimits()
        self._words = words
        self._listener = _listen(endpoint)
        self._socket_file = self._listener.getsockname() if _is_socket_file(self._listener) else None
        self._numbers = itertools.count(int.from_bytes(os.urandom(2), "big"))
        self._open: dict[str, RelayedConnection] = {}
        self._peers: OrderedDict[str, str] = OrderedDict()
        self._tasks: set[asyncio.Task[None]] = set()
        self._throttled_log = ThrottledLogger(structlog.get_logger(words.name), LogThrottle(max_entries=5))

    def peer(self, inner_address: str) -> str:
        """Address of the peer that the ZeroMQ socket knows as ``inner_address``; may be called in any thread."""
        return self._peers.get(inner_address, inner_address)

    def is_open(self, inner_address: str) -> bool:
        """Whether ``inner_address`` is a connection of this relay; may be called in any thread."""
        return inner_address in self._open

    def disconnect(self, inner_address: str) -> None:
        """Closes one connection."""
        connection = self._open.pop(inner_address, None)
        if connection is not None:
            connection.close()

    async def run(self, inner_port: int) -> None:
        """Relays to the ZeroMQ socket at ``inner_port`` of this computer until it is cancelled."""
        loop = asyncio.get_running_loop()
        tokens, refilled_s = float(self._limits.accepted_burst), loop.time()
        try:
            while True:
                try:
                    accepted, _ = await loop.sock_accept(self._listener)
                except OSError:
                    # No descriptor is free, or the peer is gone already.
                    await asyncio.sleep(_ACCEPT_RETRY_S)
                    continue
                self._keep(accepted, inner_port)
                now_s = loop.time()
                tokens += (now_s - refilled_s) * self._limits.accepted_per_s
                tokens, refilled_s = min(tokens, self._limits.accepted_burst) - 1.0, now_s
                if tokens < 0:
                    await asyncio.sleep(-tokens / self._limits.accepted_per_s)
        finally:
            for task in self._tasks:
                task.cancel()
            await asyncio.gather(*self._tasks, return_exceptions=True)

    def close(self) -> None:
        """Frees the address; to be called once ``run`` has ended."""
        self._listener.close()
        if self._socket_file is not None:
            with contextlib.suppress(OSError):
                Path(self._socket_file).unlink()

    def _keep(self, accepted: socket.socket, inner_port: int) -> None:
        if len(self._open) >= self._limits.max_connections:
            peer = _peer_of(accepted)
            accepted.close()
            self._throttled_log.warning(
                f"{self._words.name} connection rejected: connection limit reached",
                peer,
                peer=peer,
                remedy=f"close {self._words.peers} that are not needed: {self._limits.max_connections} are connected",
            )
            return
        task = asyncio.create_task(self._relay(accepted, inner_port))
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)
        # Also if it is cancelled before it began.
        task.add_done_callback(lambda _: accepted.close())

    async def _relay(self, accepted: socket.socket, inner_port: int) -> None:
        peer = _peer_of(accepted)
        number = next(self._numbers)
        # 127.1.0.0 to 127.126.255.255
        inner_address = f"127.{1 + (number >> 16) % 126}.{number >> 8 & 255}.{number & 255}"
        writers: list[asyncio.StreamWriter] = []
        try:
            accepted.setblocking(False)
            detect_dead_peer(accepted)
            accepted.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, BUFFER_BYTES)
            reader, writer = await asyncio.open_connection(sock=accepted, limit=_READ_BYTES)
            writers.append(writer)
            connection = self._open[inner_address] = RelayedConnection(peer, writer, self._limits)
            self._peers[inner_address] = peer
            if len(self._peers) > _MAX_REMEMBERED:
                self._peers.popitem(last=False)
            inner = socket.socket()
            try:
                inner.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, BUFFER_BYTES)
                inner.bind((inner_address, 0))
                inner.setblocking(False)
                await asyncio.get_running_loop().sock_connect(inner, ("127.0.0.1", inner_port))
            except BaseException:
                inner.close()
                raise
            inner_reader, inner_writer = await asyncio.open_connection(sock=inner, limit=_READ_BYTES)
            writers.append(inner_writer)
            directions = [
                asyncio.ensure_future(self._pass_in(connection, reader, inner_writer)),
                asyncio.ensure_future(_pass_out(inner_reader, writer)),
            ]
            try:
                await asyncio.wait(directions, return_when=asyncio.FIRST_COMPLETED)
                if directions[1].done():
                    # What the socket sent last is the reason of a rejection, by which the peer explains it.
                    writer.close()
                    async with asyncio.timeout(self._limits.grace_s):
                        await writer.wait_closed()
            finally:
                for direction in directions:
                    direction.cancel()
                await asyncio.gather(*directions, return_exceptions=True)
        except OSError:
            pass
        finally:
            self._open.pop(inner_address, None)
            for open_writer in writers:
                open_writer.transport.abort()
            # Retrieves the exception of a connection that its peer has reset: asyncio logs with a traceback what is
            # never retrieved.
            await asyncio.gather(*(open_writer.wait_closed() for open_writer in writers), return_exceptions=True)

    async def _pass_in(
        self, connection: RelayedConnection, reader: asyncio.StreamReader, inner: asyncio.StreamWriter
    ) -> None:
        """Passes on what a peer sends, until that is more than it may send."""
        with contextlib.suppress(OSError):
            while data := await reader.read(_READ_BYTES):
                admitted = connection.admit(len(data))
                inner.write(data[:admitted])
                await inner.drain()
                if admitted < len(data):
                    self._throttled_log.warning(
                        f"{self._words.name} connection closed: too much data received",
                        connection.peer,
                        peer=connection.peer,
                        remedy=f"find out which program it is: {self._words.sends}",
                    )
                    await asyncio.sleep(self._limits.grace_s)
                    return


async def _pass_out(inner: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    """Passes on the status; while the peer does not read, it waits in bounded buffers, then ZeroMQ discards it."""
    writer.transport.set_write_buffer_limits(high=BUFFER_BYTES)
    with contextlib.suppress(OSError):
        while data := await inner.read(_READ_BYTES):
            writer.write(data)
            await writer.drain()


def _peer_of(accepted: socket.socket) -> str:
    try:
        name = accepted.getpeername()
    except OSError:
        return "?"
    return str(name[0]) if isinstance(name, tuple) else "this computer"


def _is_socket_file(listener: socket.socket) -> bool:
    name = listener.getsockname()
    return isinstance(name, str) and bool(name) and not name.startswith("\0")


def _listen(endpoint: str) -> socket.socket:
    """A listening socket at a ZeroMQ endpoint."""
    if endpoint.startswith("ipc://"):
        path = endpoint.removeprefix("ipc://")
        listener = socket.socket(socket.AF_UNIX)
        try:
            if path.startswith("@"):
                listener.bind("\0" + path[1:])
            else:
                # Left behind by a daemon that was killed; the record's lock keeps two from using it.
                with contextlib.suppress(OSError):
                    if Path(path).is_socket():
                        Path(path).unlink()
                listener.bind(path)
            listener.listen(_BACKLOG)
        except OSError:
            listener.close()
            raise
    else:
        host, port = split_host_port(endpoint.removeprefix("tcp://"))
        family = socket.AF_INET6 if ":" in host else socket.AF_INET
        listener = socket.create_server((host, port), family=family, backlog=_BACKLOG, dualstack_ipv6=host == "::")
    listener.setblocking(False)
    return listener
