"""Authentication of clients at a ZeroMQ socket that the daemon binds, and a log of everyone rejected.

On this computer (loopback, ipc) every client is accepted. A socket that other computers can reach speaks CURVE
(RFC 26/CURVEZMQ) and has a handler authenticate each client (RFC 27/ZAP). Without an answer of the handler no client is
accepted.
"""

from __future__ import annotations

import contextlib
import errno
import os
import socket as network
import threading
import time
from pathlib import Path

import structlog
import zmq
from zmq.utils import z85
from zmq.utils.monitor import recv_monitor_message

from eyebolt import addresses
from eyebolt.errors import InputFault
from eyebolt.logs import LogThrottle
from eyebolt.security.key_files import Role, authorized_keys, read_station_secret

_ZAP = "inproc://zeromq.zap.01"
_ZAP_VERSION = b"1.0"
_POLL_MS = 100

_log = structlog.get_logger("zap")


class ZapAuthenticator:
    """Authenticates the clients of one socket, the only one of ``context`` that binds; ``role``: who may connect.

    Call ``bind`` once, and ``close`` before the context is destroyed. Requests are answered and logged in a thread of
    its own.
    """

    def __init__(self, context: zmq.Context[zmq.Socket[bytes]], role: Role) -> None:
        self._context = context
        self._role: Role = role
        self._keys: Path | None = None
        self._socket: zmq.Socket[bytes] | None = None
        self._zap: zmq.Socket[bytes] | None = None
        self._monitor: zmq.Socket[bytes] | None = None
        # Accepted connections whose handshake has not succeeded yet: file descriptor -> address.
        self._pending_peers: dict[int, str] = {}
        self._unauthorized_peer: str | None = None
        self._log_throttle = LogThrottle()
        self._closed = threading.Event()
        self._thread = threading.Thread(target=self._run, name=f"eyebolt-zap {role}", daemon=True)

    def bind(self, socket: zmq.Socket[bytes], endpoint: str, keys: Path | None) -> None:
        """Binds ``socket`` to ``endpoint``; ``keys`` is the station's key folder.

        Raises InputFault ``keys-needed`` and those of ``read_station_secret``, and zmq.ZMQError.
        """
        try:
            addresses.validate_endpoint(endpoint)
        except ValueError:
            raise zmq.ZMQError(errno.EINVAL) from None
        if addresses.is_remote_endpoint(endpoint):
            if keys is None:
                message = f"{endpoint} can be reached from other computers, and the station has no keys"
                remedy = "add keys = \"keys\" to [station] and run 'eyebolt keys'; or use an address such as tcp://127.0.0.1."
                raise InputFault("keys-needed", message, remedy, endpoint=endpoint)
            socket.setsockopt(zmq.CURVE_SECRETKEY, read_station_secret(keys).encode("ascii"))
            socket.setsockopt(zmq.CURVE_SERVER, 1)
            socket.setsockopt(zmq.ZAP_DOMAIN, self._role.encode("ascii"))
            # Otherwise libzmq would accept any key while the handler is missing.
            socket.setsockopt(zmq.ZAP_ENFORCE_DOMAIN, 1)
            self._keys, self._zap = keys, self._context.socket(zmq.REP)
            self._zap.bind(_ZAP)
        self._socket, self._monitor = socket, socket.get_monitor_socket()
        socket.bind(endpoint)
        self._thread.start()

    def close(self) -> None:
        """Ends the thread. The authenticated socket is closed by its owner."""
        self._closed.set()
        if self._thread.is_alive():
            self._thread.join()
        if self._socket is not None and self._monitor is not None:
            with contextlib.suppress(zmq.ZMQError):
                self._socket.disable_monitor()

    def _run(self) -> None:
        poller = zmq.Poller()
        for socket in (self._zap, self._monitor):
            if socket is not None:
                poller.register(socket, zmq.POLLIN)
        while not self._closed.is_set():
            for socket, _ in poller.poll(_POLL_MS):
                if socket is self._zap:
                    self._handle_zap_request(self._zap)
                elif self._monitor is not None:
                    event = recv_monitor_message(self._monitor)
                    self._on_monitor_event(zmq.Event(event["event"]), int(event["value"]))
        if self._zap is not None:
            self._zap.close(linger=0)

    def _handle_zap_request(self, zap: zmq.Socket[bytes]) -> None:
        parts = zap.recv_multipart()
        request_id = parts[1] if len(parts) > 1 else b""
        name = self._client_name(parts[6]) if len(parts) == 7 and parts[5] == b"CURVE" else None
        if name is None:
            zap_status = [b"400", b"unknown key", b""]
            # Its disconnect follows. If it is gone by then, this is its only address.
            self._unauthorized_peer = parts[3].decode("ascii", "replace") if len(parts) > 3 else "?"
        else:
            zap_status = [b"200", b"OK", name.encode("ascii", "replace")]
            _log.info("client authorized", role=self._role, name=name, peer=parts[3].decode("ascii", "replace"))
        zap.send_multipart([_ZAP_VERSION, request_id, *zap_status, b""])

    def _client_name(self, public_key: bytes) -> str | None:
        if self._keys is None or len(public_key) != 32:
            return None
        try:
            return authorized_keys(self._keys, self._role).get(z85.encode(public_key).decode("ascii"))
        except (InputFault, OSError) as fault:
            _log.error("keys unreadable: every client is rejected", error=str(fault))
            return None

    def _on_monitor_event(self, event: zmq.Event, value: int) -> None:
        if event is zmq.Event.ACCEPTED:
            self._pending_peers[value] = _peer_address(value)
        elif event is zmq.Event.HANDSHAKE_SUCCEEDED and self._pending_peers:
            # The event does not name the connection. A handshake takes milliseconds: most likely it is the newest one.
            self._pending_peers.popitem()
        elif event is zmq.Event.DISCONNECTED and value in self._pending_peers:
            self._log_rejected(self._pending_peers.pop(value))

    def _log_rejected(self, peer: str) -> None:
        reason = f"it has no key, or is not a {self._role}" if self._keys is not None else f"it is not a {self._role}"
        if self._unauthorized_peer is not None:
            reason, peer, self._unauthorized_peer = "its key is unknown here", self._unauthorized_peer, None
        suppressed = self._log_throttle.admit((peer, reason), time.monotonic())
        if suppressed is not None:
            remedy = f"to authorize it: 'eyebolt keys STATION --{self._role} NAME', and copy the key file to it"
            if self._keys is None:
                remedy = "find out which program it is; its data was discarded"
            _log.warning(
                f"{self._role} rejected: not authorized", peer=peer, reason=reason, remedy=remedy, **suppressed
            )


def _peer_address(fd: int) -> str:
    try:
        with network.socket(fileno=os.dup(fd)) as peer_socket:
            name = peer_socket.getpeername()
    except OSError:
        return "?"
    return str(name[0]) if isinstance(name, tuple) else "this computer"
