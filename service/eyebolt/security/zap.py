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
from collections.abc import Mapping
from pathlib import Path
from typing import Protocol

import structlog
import zmq
from zmq.utils import z85
from zmq.utils.monitor import recv_monitor_message

from eyebolt import addresses
from eyebolt.errors import InputFault
from eyebolt.logs import LogThrottle, ThrottledLogger
from eyebolt.security.key_files import Role, authorized_keys, key_folder_signature, read_station_secret, with_article

_ZAP = "inproc://zeromq.zap.01"
_ZAP_VERSION = b"1.0"
_POLL_MS = 100
# How long a client whose key file was removed goes on hearing at most.
_KEYS_INTERVAL_S = 0.2
_FREE_PORT = "tcp://127.0.0.1:*"

_log = structlog.get_logger("zap")


class Relay(Protocol):
    """What stands between a socket and its clients, so that they reach it from addresses of the relay's choice."""

    def peer(self, inner_address: str) -> str:
        """Address of the client that the socket knows as ``inner_address``."""

    def is_open(self, inner_address: str) -> bool:
        """Whether ``inner_address`` is a connection of the relay."""

    def disconnect(self, inner_address: str) -> None:
        """Closes that connection."""


class ZapAuthenticator:
    """Authenticates the clients of one socket, the only one of ``context`` that binds; ``role``: who may connect.

    Call ``bind`` once, and ``close`` before the context is destroyed. Requests are answered and logged in a thread of
    its own, which also has the relay disconnect every client whose key file is removed or changed. Without a relay the
    owner of the socket asks ``is_authorized`` of each message.
    """

    inner_port: int = 0
    """Port of this computer at which a socket behind a relay is bound."""

    def __init__(self, context: zmq.Context[zmq.Socket[bytes]], role: Role) -> None:
        self._context = context
        self._role: Role = role
        self._keys: Path | None = None
        self._relay: Relay | None = None
        self._socket: zmq.Socket[bytes] | None = None
        self._zap: zmq.Socket[bytes] | None = None
        self._monitor: zmq.Socket[bytes] | None = None
        # Accepted connections whose handshake has not succeeded yet: file descriptor -> address.
        self._pending_peers: dict[int, str] = {}
        self._unauthorized_peer: str | None = None
        # Clients by the address that the socket knows: public key and name.
        self._clients: dict[str, tuple[str, str]] = {}
        self._authorized: Mapping[str, str] = {}
        self._signature: object = None
        self._next_check_s = 0.0
        self._log_throttle = LogThrottle()
        self._throttled_log = ThrottledLogger(_log)
        self._closed = threading.Event()
        self._thread = threading.Thread(target=self._run, name=f"eyebolt-zap {role}", daemon=True)

    def bind(self, socket: zmq.Socket[bytes], endpoint: str, keys: Path | None, relay: Relay | None = None) -> None:
        """Binds ``socket`` to ``endpoint``; ``keys`` is the station's key folder.

        With a ``relay``, which listens at ``endpoint`` itself, the socket is bound to a free port of this computer, and
        accepts clients from the relay alone. Raises InputFault ``keys-needed`` and those of ``read_station_secret``,
        and zmq.ZMQError.
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
        self._relay = relay
        if relay is None and addresses.is_ipv6_endpoint(endpoint):
            socket.setsockopt(zmq.IPV6, 1)
        self._socket, self._monitor = socket, socket.get_monitor_socket()
        socket.bind(endpoint if relay is None else _FREE_PORT)
        if relay is not None:
            self.inner_port = int(socket.get_string(zmq.LAST_ENDPOINT).rpartition(":")[2])
        self._thread.start()

    def is_authorized(self, frame: zmq.Frame) -> bool:
        """Whether the key of the client that sent ``frame`` is still authorized; True where no keys are used."""
        if self._keys is None:
            return True
        key = str(frame.get("User-Id"))
        if key in self._authorized:
            return True
        # It may have been added since the last check.
        return key in self._read_authorized()

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
            self._check_keys()
        if self._zap is not None:
            self._zap.close(linger=0)

    def _handle_zap_request(self, zap: zmq.Socket[bytes]) -> None:
        parts = zap.recv_multipart()
        request_id = parts[1] if len(parts) > 1 else b""
        address = parts[3].decode("ascii", "replace") if len(parts) > 3 else "?"
        peer, mechanism = self._peer(address), parts[5] if len(parts) > 5 else b""
        if mechanism == b"CURVE" and len(parts) == 7 and (name := self._client_name(parts[6])) is not None:
            key = z85.encode(parts[6]).decode("ascii")
            self._clients[address] = key, name
            # The user id, which libzmq attaches to the client's messages, is the key: a name may get another key.
            zap_status = [b"200", b"OK", key.encode("ascii")]
            _log.info("client authorized", role=self._role, name=name, peer=peer)
        else:
            zap_status = [b"400", b"unknown key", b""]
            # Its disconnect follows. If it is gone by then, this is its only address.
            self._unauthorized_peer = peer
        zap.send_multipart([_ZAP_VERSION, request_id, *zap_status, b""])

    def _client_name(self, public_key: bytes) -> str | None:
        if self._keys is None or len(public_key) != 32:
            return None
        try:
            return authorized_keys(self._keys, self._role).get(z85.encode(public_key).decode("ascii"))
        except (InputFault, OSError) as fault:
            _log.error("keys unreadable: every client is rejected", error=str(fault))
            return None

    def _check_keys(self) -> None:
        """Disconnects every client whose key is no longer authorized."""
        if self._keys is None or time.monotonic() < self._next_check_s:
            return
        self._next_check_s = time.monotonic() + _KEYS_INTERVAL_S
        # Taken before the keys are read: a change in between is found the next time.
        signature = key_folder_signature(self._keys, self._role)
        if signature == self._signature:
            return
        self._signature = signature
        authorized, relay = self._read_authorized(), self._relay
        if relay is None:
            return
        for address, (key, name) in list(self._clients.items()):
            if not relay.is_open(address):
                del self._clients[address]
            elif key not in authorized:
                del self._clients[address]
                relay.disconnect(address)
                self.log_revoked(name, relay.peer(address))

    def log_revoked(self, name: str, peer: str) -> None:
        """Logs that a client was disconnected, or its message discarded, because its key is no longer authorized."""
        self._throttled_log.warning(
            "client rejected: key revoked",
            (name, peer),
            role=self._role,
            name=name,
            peer=peer,
            remedy=f"to authorize it again: 'eyebolt keys STATION --{self._role} NAME', and copy the key file to it",
        )

    def _read_authorized(self) -> Mapping[str, str]:
        authorized: Mapping[str, str] = {}
        if self._keys is not None:
            # Unreadable keys authorize nobody, as for a client that connects now.
            with contextlib.suppress(InputFault, OSError):
                authorized = authorized_keys(self._keys, self._role)
        self._authorized = authorized
        return authorized

    def _peer(self, address: str) -> str:
        return address if self._relay is None else self._relay.peer(address)

    def _on_monitor_event(self, event: zmq.Event, value: int) -> None:
        if event is zmq.Event.ACCEPTED:
            self._pending_peers[value] = self._accepted_from(value)
        elif event is zmq.Event.HANDSHAKE_SUCCEEDED and self._pending_peers:
            # The event does not name the connection. A handshake takes milliseconds: most likely it is the newest one.
            self._pending_peers.popitem()
        elif event is zmq.Event.DISCONNECTED and value in self._pending_peers:
            self._log_rejected(self._pending_peers.pop(value))

    def _accepted_from(self, fd: int) -> str:
        """Address of the peer of an accepted connection; one that did not come through the relay is shut down."""
        with contextlib.suppress(OSError), network.socket(fileno=os.dup(fd)) as connection:
            name = connection.getpeername()
            if not isinstance(name, tuple):
                return "this computer"
            address = str(name[0])
            if self._relay is None or self._relay.is_open(address):
                return self._peer(address)
            # The descriptor may be in use for something else by now.
            if connection.getsockname()[1] == self.inner_port:
                connection.shutdown(network.SHUT_RDWR)
            return address
        return "?"

    def _log_rejected(self, peer: str) -> None:
        a_client = with_article(self._role)
        reason = f"it has no key, or is not {a_client}" if self._keys is not None else f"it is not {a_client}"
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
